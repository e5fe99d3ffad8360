/* Port systems: (diag(alpha) + diag(beta) Z) f = beta q + gamma, see ports.py and junctions.py, which say why.
 *
 * Many sets and rounds share how the devices stand, so the ports of elements that devices have moved are eliminated
 * once and kept. What is left of a set is its border: its own ports and the diodes that have left the state's tangent,
 * for which Newton's method needs a small system only.
 */
#include "dense.h"
#include "laws.h"

#include <stdlib.h>
#include <string.h>

#define MOVED_BYTES ((size_t)64 << 20) /* what kept ports take at most; measured, see docs/bench.md */

/* What the force of ``in`` makes ``out`` answer; two places answer each other alike, which spares half of the looks. */
static double answer(const Follow *s, const Work *w, const Port *out, const Port *in) {
    if (out->reactive >= 0)
        return in->x[s->answers + out->reactive];
    if (in->reactive >= 0)
        return out->x[s->answers + in->reactive];
    return w->across[out->own * w->own_room + in->own];
}

static void values_of(const Follow *s, Moved *moved, const uint8_t *booleans) {
    memcpy(moved->ohm, s->r_ohm, sizeof(double) * (size_t)s->plain);
    memcpy(moved->emf, s->r_emf, sizeof(double) * (size_t)s->plain);
    for (int64_t k = 0; k < s->switches; k++)
        if (booleans[s->switch_device[k]] != s->switch_when[k])
            moved->ohm[s->switch_at[k]] = INFINITY;
    for (int64_t k = 0; k < s->swaps; k++)
        if (booleans[s->swap_device[k]])
            moved->ohm[s->swap_at[k]] = s->swap_ohm[k];
    for (int64_t k = 0; k < s->steps; k++)
        if (booleans[s->step_device[k]])
            moved->emf[s->step_at[k]] += s->step_v[k];
}

static Port reactive_port(const Follow *s, int64_t r, Law wanted, int64_t diode) {
    Port port = {.x = s->x + r * s->looks, .out_plus = s->r_out_plus[r], .out_minus = s->r_out_minus[r],
                 .element = s->r_element[r], .reactive = r, .diode = diode};
    coefficients(s, r, wanted, &port);
    return port;
}

static Port own_port(const Follow *s, const Work *w, int64_t k, int own) {
    return (Port){.x = w->own_x + own * s->looks, .out_plus = s->out_plus[k], .out_minus = s->out_minus[k],
                  .element = s->own_element[k], .reactive = -1, .own = own, .alpha = s->alpha[k], .beta = s->beta[k],
                  .gamma = s->gamma[k], .diode = -1};
}

static Law plain_law(double ohm, double emf) {
    return isinf(ohm) ? (Law){0.0, 1.0, 0.0} : (Law){1.0, ohm, emf};
}

static int same_law(const Follow *s, int64_t r, Law law) {
    return law.rho == s->r_rho[r] && law.sigma == s->r_sigma[r] && law.tau == s->r_tau[r];
}

static size_t diode_bytes(const Follow *s, const Moved *moved) {
    return sizeof(double) * (size_t)(moved->ports + DIODE_PARTS * (s->diodes + 1) + s->senders);
}

static double before(const Follow *s, const Port *port) {
    return s->solution[port->out_plus] - s->solution[port->out_minus];
}

static double probe(const Follow *s, const Port *port, int64_t sender) {
    const double *x = port->x + s->probes + sender;
    double value = port->beta * (s->probe_rho[s->senders + sender] * x[s->senders] - s->probe_rho[sender] * x[0]);
    if (port->element >= 0 && !s->with_current[port->element])
        value += s->probe_sign[port->element * s->senders + sender];
    return value;
}

/* Eliminates the ports of ``moved`` one by another; 0: singular. */
static int factorise_moved(const Follow *s, const Work *w, Moved *moved) {
    int n = moved->ports, senders = (int)s->senders;
    for (int i = 0; i < n; i++) {
        const Port *port = &moved->port[i];
        for (int j = 0; j < n; j++)
            moved->lu[i * n + j] = port->beta * answer(s, w, port, &moved->port[j]) + (i == j ? port->alpha : 0.0);
        moved->force[i] = port->beta * before(s, port) + port->gamma;
        for (int k = 0; k < senders; k++)
            moved->by_sender[i * senders + k] = probe(s, port, k);
    }
    if (!halfsplit_factorise(moved->lu, n, moved->pivot, moved->scale))
        return 0;
    halfsplit_substitute(moved->lu, n, moved->pivot, moved->scale, moved->force, 1);
    halfsplit_substitute(moved->lu, n, moved->pivot, moved->scale, moved->by_sender, senders);
    return 1;
}

void halfsplit_forget_diodes(const Follow *s, Work *w, Moved *moved) {
    for (int64_t k = 0; k < s->diodes; k++)
        if (moved->diode[k]) {
            w->bytes -= diode_bytes(s, moved);
            free(moved->diode_side[k]), free(moved->diode[k]);
            moved->diode_side[k] = moved->diode[k] = NULL;
        }
}

/* What the ports of ``moved`` take, diodes apart. */
static size_t moved_bytes(const Follow *s, const Moved *moved) {
    size_t room = (size_t)moved->room;
    return room * ((room + 4 + (size_t)s->senders) * sizeof(double) + sizeof(Port) + 2 * sizeof(int));
}

void halfsplit_empty(const Follow *s, Work *w, Moved *moved) {
    halfsplit_forget_diodes(s, w, moved);
    w->bytes -= moved_bytes(s, moved);
    moved->room = moved->filled = 0, moved->group = -1;
    free(moved->port), free(moved->lu), free(moved->scale), free(moved->force), free(moved->by_sender);
    free(moved->pivot), free(moved->side), free(moved->row), free(moved->reactive);
    moved->port = NULL, moved->lu = moved->scale = moved->force = moved->by_sender = NULL, moved->pivot = NULL;
    moved->side = moved->row = NULL, moved->reactive = NULL;
}

/* Makes ``moved`` what devices standing at ``booleans`` make of the state; 0: singular or no memory. */
static int eliminate_moved(const Follow *s, Work *w, Moved *moved, const uint8_t *booleans, int64_t without) {
    int n = 0, senders = (int)s->senders;
    moved->filled = 0, moved->group = -1;
    halfsplit_forget_diodes(s, w, moved);
    values_of(s, moved, booleans);
    for (int64_t r = 0; r < s->plain; r++)
        n += r != without && !same_law(s, r, plain_law(moved->ohm[r], moved->emf[r]));
    if (!moved->port || n > moved->room) {
        size_t room = (size_t)n + 8;
        halfsplit_empty(s, w, moved);
        moved->side = halfsplit_room(w, room, sizeof(double)), moved->row = halfsplit_room(w, room, sizeof(double));
        moved->reactive = halfsplit_room(w, room, sizeof(int));
        moved->port = halfsplit_room(w, room, sizeof(Port)), moved->lu = halfsplit_room(w, room * room, sizeof(double));
        moved->scale = halfsplit_room(w, room, sizeof(double)), moved->pivot = halfsplit_room(w, room, sizeof(int));
        moved->force = halfsplit_room(w, room, sizeof(double));
        moved->by_sender = halfsplit_room(w, room * (size_t)senders, sizeof(double));
        if (w->failed)
            return 0;
        moved->room = (int)room;
        w->bytes += moved_bytes(s, moved);
    }
    n = 0;
    for (int64_t r = 0; r < s->plain; r++) {
        Law law = plain_law(moved->ohm[r], moved->emf[r]);
        if (r != without && !same_law(s, r, law)) {
            moved->reactive[n] = (int)r;
            moved->port[n++] = reactive_port(s, r, law, -1);
        }
    }
    moved->ports = n;
    if (!factorise_moved(s, w, moved))
        return 0;
    memcpy(moved->key, w->key, (size_t)w->movers);
    moved->without = without, moved->filled = 1;
    return 1;
}

/* Finds or makes what devices standing at ``booleans`` make of the state. */
static int take_moved(const Follow *s, Work *w, const uint8_t *booleans, int64_t without) {
    uint64_t hash = halfsplit_hash(w->key, w->movers) ^ (uint64_t)(without + 1) * 0x9E3779B97F4A7C15u;
    for (int k = 0; k < w->kept; k++) {
        Moved *one = &w->moved[k];
        if (one->filled && one->hash == hash && one->without == without &&
            !memcmp(one->key, w->key, (size_t)w->movers)) {
            w->fixed = one;
            return 1;
        }
    }
    if (w->kept < MOVED_KEPT && w->bytes < MOVED_BYTES)
        w->oldest = w->kept++;
    w->fixed = &w->moved[w->oldest];
    w->oldest = (w->oldest + 1) % w->kept;
    /* Those after it are the next to go, at once where what took their places needs more room. */
    for (int k = 0; k + 1 < w->kept && w->bytes > MOVED_BYTES; k++)
        halfsplit_empty(s, w, &w->moved[(w->oldest + k) % w->kept]);
    w->fixed->hash = hash;
    return eliminate_moved(s, w, w->fixed, booleans, without);
}

static void add_border(Work *w, int *n, Port port) {
    w->port[(*n)++] = port;
}

/* What forces in the reactive elements do to a diode's place (or its volts or amps). */
static const double *looks_of(const Follow *s, const Work *w, int64_t k, int part) {
    int amps = part == DIODE_AMPS || (part == DIODE_ANSWER && s->with_current[s->r_element[s->plain + k]]);
    return w->by_look + (amps * s->diodes + k) * s->reactive;
}

double halfsplit_passed(const Follow *s, const Work *w, const Moved *fixed, int64_t k, int part, const double *force) {
    const double *looks = looks_of(s, w, k, part);
    double one = 0.0, two = 0.0;
    int c = 0, m = fixed->ports;
    for (; c + 2 <= m; c += 2)
        one += looks[fixed->reactive[c]] * force[c], two += looks[fixed->reactive[c + 1]] * force[c + 1];
    if (c < m)
        one += looks[fixed->reactive[c]] * force[c];
    return one + two;
}

double *halfsplit_kept_before(const Follow *s, const double *kept) {
    return (double *)kept + DIODE_PARTS * s->diodes;
}

static double *kept_by_sender(const Follow *s, const double *kept) {
    return (double *)kept + DIODE_PARTS * (s->diodes + 1);
}

/* What a force in a diode's branch takes off each fixed port, worked out with all that is kept of it if it is new. */
static const double *diode_side(const Follow *s, Work *w, Moved *fixed, int64_t k) {
    if (fixed->diode[k])
        return fixed->diode_side[k];
    int m = fixed->ports, senders = (int)s->senders;
    double *side = halfsplit_room(w, (size_t)m, sizeof(double));
    double *kept = halfsplit_room(w, (size_t)(DIODE_PARTS * (s->diodes + 1) + s->senders), sizeof(double));
    fixed->diode_side[k] = side, fixed->diode[k] = kept;
    w->bytes += diode_bytes(s, fixed);
    if (w->failed)
        return side;
    const double *mine = s->x + (s->plain + k) * s->looks, *row = looks_of(s, w, k, DIODE_ANSWER);
    for (int c = 0; c < m; c++)
        side[c] = fixed->port[c].beta * mine[s->answers + fixed->port[c].reactive];
    halfsplit_substitute(fixed->lu, m, fixed->pivot, fixed->scale, side, 1);
    for (int part = 0; part < DIODE_PARTS; part++) {
        int64_t at[DIODE_PARTS] = {s->answers + s->plain, s->sense_diode_v, s->sense_diode_a};
        int64_t r = s->plain + k;
        double start = part == DIODE_ANSWER ? s->solution[s->r_out_plus[r]] - s->solution[s->r_out_minus[r]]
                                            : s->sense_0[at[part] + k];
        halfsplit_kept_before(s, kept)[part] = start - halfsplit_passed(s, w, fixed, k, part, fixed->force);
        for (int64_t j = 0; j < s->diodes; j++) {
            if (!fixed->diode[j])
                continue;
            const double *other = s->x + (s->plain + j) * s->looks;
            kept[part * s->diodes + j] =
                other[at[part] + k] - halfsplit_passed(s, w, fixed, k, part, fixed->diode_side[j]);
            fixed->diode[j][part * s->diodes + k] =
                mine[at[part] + j] - halfsplit_passed(s, w, fixed, j, part, side);
        }
    }
    for (int one = 0; one < senders; one++)
        kept_by_sender(s, kept)[one] = 0.0;
    for (int c = 0; c < m; c++)
        for (int one = 0; one < senders; one++)
            kept_by_sender(s, kept)[one] += row[fixed->reactive[c]] * fixed->by_sender[c * senders + one];
    return side;
}

/* All ports of a set: own ones, those that it and devices change, diodes; everything but their laws is worked out. */
void halfsplit_make_border(const Follow *s, Work *w, int64_t f) {
    Moved *fixed = w->fixed;
    int m = fixed->ports, n = m;
    memcpy(w->port, fixed->port, sizeof(Port) * (size_t)m);
    for (int64_t k = s->own_start[f]; k < s->own_start[f + 1]; k++)
        add_border(w, &n, own_port(s, w, k, w->first_own + (int)(k - s->own_start[f])));
    for (int64_t at = s->touched_start[f]; at < s->touched_start[f + 1]; at++) {
        int64_t r = s->touched[at], k = r - s->plain;
        if (k < 0) {
            Law law = plain_law(fixed->ohm[r] + w->added_ohm[r], fixed->emf[r] + w->added_v[r]);
            if (r == fixed->without || !same_law(s, r, law))
                add_border(w, &n, reactive_port(s, r, law, -1));
        } else if (!w->active[k])
            add_border(w, &n, reactive_port(s, r, diode_law(w->g0[k], w->c0[k], w->added_ohm[r]), -1));
    }
    for (int64_t k = 0; k < s->diodes; k++)
        if (w->active[k])
            add_border(w, &n, reactive_port(s, s->plain + k, (Law){1.0, 1.0, 0.0}, k));
    int b = n - m, single = s->own_start[f + 1] - s->own_start[f] == 1;
    w->ports = n, w->border = b;
    for (int i = 0; i < b && !w->failed; i++) {
        Port *port = &w->port[m + i];
        double *side = w->side + (size_t)i * (size_t)m, *row = w->row + (size_t)i * (size_t)m;
        w->sides[i] = side;
        if (port->diode >= 0) {
            w->sides[i] = diode_side(s, w, fixed, port->diode);
            continue;
        }
        if (single && i == 0 && fixed->group == w->group) {
            memcpy(side, fixed->side, sizeof(double) * (size_t)m);
            memcpy(row, fixed->row, sizeof(double) * (size_t)m);
            continue;
        }
        for (int c = 0; c < m; c++) {
            row[c] = answer(s, w, port, &w->port[c]);
            side[c] = w->port[c].beta * answer(s, w, &w->port[c], port);
        }
        halfsplit_substitute(fixed->lu, m, fixed->pivot, fixed->scale, side, 1);
    }
    if (w->failed)
        return;
    for (int i = 0; i < b; i++) {
        const Port *port = &w->port[m + i];
        const double *row = w->row + (size_t)i * (size_t)m;
        double *within = w->within + i * b;
        if (port->diode >= 0) {
            const double *kept = fixed->diode[port->diode] + DIODE_ANSWER * s->diodes;
            w->before[i] = halfsplit_kept_before(s, kept)[DIODE_ANSWER];
            for (int j = 0; j < b; j++)
                within[j] = w->port[m + j].diode >= 0
                                ? kept[w->port[m + j].diode]
                                : answer(s, w, port, &w->port[m + j]) -
                                      halfsplit_passed(s, w, fixed, port->diode, DIODE_ANSWER, w->sides[j]);
            continue;
        }
        if (single && i == 0 && fixed->group == w->group)
            w->before[i] = fixed->before, within[i] = fixed->within;
        else {
            w->before[i] = before(s, port) - halfsplit_product(row, fixed->force, m);
            within[i] = answer(s, w, port, port) - halfsplit_product(row, w->sides[i], m);
        }
        for (int j = 0; j < b; j++)
            if (j != i)
                within[j] = answer(s, w, port, &w->port[m + j]) - halfsplit_product(row, w->sides[j], m);
    }
    if (single && fixed->group != w->group) {
        fixed->group = w->group;
        memcpy(fixed->side, w->side, sizeof(double) * (size_t)m);
        memcpy(fixed->row, w->row, sizeof(double) * (size_t)m);
        fixed->before = w->before[0], fixed->within = w->within[0];
    }
}

/* Solves the border with its present laws; ``force`` is its own part of w->force. */
int halfsplit_solve_border(Work *w, double *force) {
    int m = w->fixed->ports, b = w->border;
    for (int i = 0; i < b; i++) {
        const Port *port = &w->port[m + i];
        for (int j = 0; j < b; j++)
            w->small[i * b + j] = port->beta * w->within[i * b + j] + (i == j ? port->alpha : 0.0);
        force[i] = port->beta * w->before[i] + port->gamma;
    }
    if (!halfsplit_factorise(w->small, b, w->small_pivot, w->small_scale))
        return 0;
    halfsplit_substitute(w->small, b, w->small_pivot, w->small_scale, force, 1);
    return 1;
}

WIDE static void take_off(double *from, const double *what, double times, int count) {
    for (int c = 0; c < count; c++)
        from[c] -= times * what[c];
}

int halfsplit_all_forces(Work *w) {
    int m = w->fixed->ports, b = w->border;
    double *border = w->force + m;
    if (!halfsplit_solve_border(w, border))
        return 0;
    memcpy(w->force, w->fixed->force, sizeof(double) * (size_t)m);
    for (int j = 0; j < b; j++)
        take_off(w->force, w->sides[j], border[j], m);
    return 1;
}

/* The forces of the last solution for a unit step of each sender [ports][senders]. */
void halfsplit_forces_by_sender(const Follow *s, Work *w) {
    int m = w->fixed->ports, b = w->border, senders = (int)s->senders;
    if (w->by_sender_known)
        return;
    w->by_sender_known = 1;
    double *fixed = w->by_sender, *border = fixed + m * senders;
    memcpy(fixed, w->fixed->by_sender, sizeof(double) * (size_t)(m * senders));
    for (int i = 0; i < b; i++) {
        const Port *port = &w->port[m + i];
        for (int k = 0; k < senders; k++)
            border[i * senders + k] = probe(s, port, k);
        if (port->diode >= 0) {
            const double *kept = kept_by_sender(s, w->fixed->diode[port->diode]);
            for (int k = 0; k < senders; k++)
                border[i * senders + k] -= port->beta * kept[k];
            continue;
        }
        for (int c = 0; c < m; c++) {
            double share = port->beta * w->row[i * m + c];
            for (int k = 0; k < senders; k++)
                border[i * senders + k] -= share * fixed[c * senders + k];
        }
    }
    halfsplit_substitute(w->small, b, w->small_pivot, w->small_scale, border, senders);
    for (int c = 0; c < m; c++)
        for (int j = 0; j < b; j++)
            take_off(fixed + c * senders, border + j * senders, w->sides[j][c], senders);
}

WIDE void halfsplit_see(const Work *w, const double *base, int64_t from, int64_t count, double *into) {
    memcpy(into, base, sizeof(double) * (size_t)count);
    for (int j = 0; j < w->ports; j++) {
        const double *x = w->port[j].x + from;
        double force = w->force[j];
        if (force == 0.0)
            continue;
        for (int64_t k = 0; k < count; k++)
            into[k] -= force * x[k];
    }
}

/* The element among the plain reactive ones that a set changes itself; -2: several. */
static int64_t changed_element(const Follow *s, int64_t f) {
    int64_t found = -1;
    for (int64_t at = s->touched_start[f]; at < s->touched_start[f + 1]; at++)
        if (s->touched[at] < s->plain)
            found = found == -1 ? s->touched[at] : -2;
    return found;
}

void halfsplit_take_key(Work *w, const uint8_t *booleans) {
    for (int64_t k = 0; k < w->movers; k++)
        w->key[k] = booleans[w->mover[k]];
}

int halfsplit_begin(const Follow *s, Work *w, int64_t f, const uint8_t *booleans) {
    int64_t without = changed_element(s, f);
    halfsplit_take_key(w, booleans);
    w->is_solved = w->by_sender_known = 0;
    if (!take_moved(s, w, booleans, without < 0 ? -1 : without))
        return 0;
    if (without == -2) {
        /* Rare: such a set's elements are left to the border one by one by changing the system for it alone. */
        w->fixed->filled = 0, w->fixed->group = -1;
        halfsplit_forget_diodes(s, w, w->fixed);
        int kept = 0;
        for (int i = 0; i < w->fixed->ports; i++) {
            int mine = 0;
            for (int64_t at = s->touched_start[f]; at < s->touched_start[f + 1]; at++)
                mine |= s->r_element[s->touched[at]] == w->fixed->port[i].element;
            if (!mine) {
                w->fixed->reactive[kept] = w->fixed->reactive[i];
                w->fixed->port[kept++] = w->fixed->port[i];
            }
        }
        w->fixed->ports = kept;
        if (!factorise_moved(s, w, w->fixed))
            return 0;
    }
    halfsplit_make_border(s, w, f);
    return 1;
}
