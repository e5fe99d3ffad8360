/* Port systems: (diag(alpha) + diag(beta) Z) f = beta q + gamma, see ports.py and junctions.py, which say why.
 *
 * Many sets and rounds share how the devices stand, so the ports of elements that devices have moved are eliminated once
 * and kept. What is left of a set is its border: its own ports and the diodes that have left the tangent of the state,
 * for which Newton's method needs a small system only.
 */
#include "ports.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define LARGEST_EXPONENT 80.0
#define CONDUCTING_SIEMENS 1e-3
#define NEWTON_TOLERANCE_V 1e-6
#define MOVED_KEPT 256        /* so many at the most, */
#define MOVED_BYTES (64 << 20) /* and no more once they take so much */

static double smaller(double a, double b) { return a < b ? a : b; }
static double larger(double a, double b) { return a > b ? a : b; }

static void tangent(double v, double saturation, double slope, double *g, double *c) {
    double exponent = smaller(v / slope, LARGEST_EXPONENT), above = expm1(exponent);
    *g = saturation / slope * (above + 1.0);
    *c = saturation * above - *g * v;
}

static double limited(double v, double old, double saturation, double slope) {
    double growth = 1.0 + (v - old) / slope;
    if (v - old > 2.0 * slope && v > slope * log(slope / (sqrt(2.0) * saturation)))
        return old > 0.0 ? old + slope * log(larger(growth, 1e-300)) : slope * log(larger(v / slope, 1e-300));
    if (old > 4.0 * slope && v < old)
        return slope * log1p(larger(exp(smaller(old / slope, LARGEST_EXPONENT)) * growth - 1.0, -0.99));
    return v;
}

typedef struct {
    double rho, sigma, tau;
} Law;

static Law diode_law(double g, double c, double series) {
    if (isinf(series))
        return (Law){0.0, 1.0, 0.0};
    if (g >= CONDUCTING_SIEMENS)
        return (Law){1.0, 1.0 / g + series, c / g};
    return (Law){g, 1.0 + g * series, c};
}

/* alpha, beta and gamma that turn the law an element has in the state into the wanted one. */
static void coefficients(const Follow *s, int64_t r, Law wanted, Port *port) {
    double rho = s->r_rho[r], sigma = s->r_sigma[r], tau = s->r_tau[r];
    if (s->with_current[s->r_element[r]]) {
        port->alpha = wanted.rho;
        port->beta = wanted.rho * sigma - wanted.sigma;
        port->gamma = wanted.tau - wanted.rho * tau;
    } else {
        port->alpha = wanted.sigma;
        port->beta = wanted.rho - wanted.sigma * rho;
        port->gamma = wanted.tau - wanted.sigma * tau;
    }
}

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

/* LU with rows scaled to size one and partial pivoting; 0: singular. */
WIDE static int factorise(double *a, int n, int *pivot, double *scale) {
    for (int i = 0; i < n; i++) {
        double most = 1e-300;
        for (int j = 0; j < n; j++)
            most = larger(most, fabs(a[i * n + j]));
        scale[i] = 1.0 / most;
        for (int j = 0; j < n; j++)
            a[i * n + j] /= most;
    }
    for (int k = 0; k < n; k++) {
        int best = k;
        for (int i = k + 1; i < n; i++)
            if (fabs(a[i * n + k]) > fabs(a[best * n + k]))
                best = i;
        pivot[k] = best;
        if (!(fabs(a[best * n + k]) > 0.0))
            return 0;
        if (best != k)
            for (int j = 0; j < n; j++) {
                double swap = a[k * n + j];
                a[k * n + j] = a[best * n + j], a[best * n + j] = swap;
            }
        for (int i = k + 1; i < n; i++) {
            double share = a[i * n + k];
            if (share == 0.0)
                continue;
            a[i * n + k] = share /= a[k * n + k];
            for (int j = k + 1; j < n; j++)
                a[i * n + j] -= share * a[k * n + j];
        }
    }
    return 1;
}

/* Sum of products, in four sums side by side. */
static inline __attribute__((always_inline)) double product(const double *a, const double *b, int count) {
    double sum[4] = {0}, rest = 0.0;
    int k = 0;
    for (; k + 4 <= count; k += 4)
        for (int i = 0; i < 4; i++)
            sum[i] += a[k + i] * b[k + i];
    for (; k < count; k++)
        rest += a[k] * b[k];
    return ((sum[0] + sum[2]) + (sum[1] + sum[3])) + rest;
}

/* One side becomes the solution. */
WIDE static void substitute_one(const double *a, int n, const int *pivot, const double *scale, double *side) {
    for (int i = 0; i < n; i++)
        side[i] *= scale[i];
    for (int k = 0; k < n; k++)
        if (pivot[k] != k) {
            double swap = side[k];
            side[k] = side[pivot[k]], side[pivot[k]] = swap;
        }
    for (int i = 1; i < n; i++)
        side[i] -= product(a + i * n, side, i);
    for (int i = n - 1; i >= 0; i--)
        side[i] = (side[i] - product(a + i * n + i + 1, side + i + 1, n - i - 1)) / a[i * n + i];
}

/* Sides [n][count] become solutions. */
WIDE static void substitute(const double *a, int n, const int *pivot, const double *scale, double *side, int count) {
    if (count == 1) {
        substitute_one(a, n, pivot, scale, side);
        return;
    }
    for (int i = 0; i < n; i++)
        for (int c = 0; c < count; c++)
            side[i * count + c] *= scale[i];
    for (int k = 0; k < n; k++)
        if (pivot[k] != k)
            for (int c = 0; c < count; c++) {
                double swap = side[k * count + c];
                side[k * count + c] = side[pivot[k] * count + c], side[pivot[k] * count + c] = swap;
            }
    for (int i = 1; i < n; i++)
        for (int k = 0; k < i; k++) {
            double share = a[i * n + k];
            if (share != 0.0)
                for (int c = 0; c < count; c++)
                    side[i * count + c] -= share * side[k * count + c];
        }
    for (int i = n - 1; i >= 0; i--) {
        for (int k = i + 1; k < n; k++) {
            double share = a[i * n + k];
            if (share != 0.0)
                for (int c = 0; c < count; c++)
                    side[i * count + c] -= share * side[k * count + c];
        }
        for (int c = 0; c < count; c++)
            side[i * count + c] /= a[i * n + i];
    }
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
    if (!factorise(moved->lu, n, moved->pivot, moved->scale))
        return 0;
    substitute(moved->lu, n, moved->pivot, moved->scale, moved->force, 1);
    substitute(moved->lu, n, moved->pivot, moved->scale, moved->by_sender, senders);
    return 1;
}

/* Makes ``moved`` what devices standing at ``booleans`` make of the state; 0: singular or no memory. */
static int eliminate_moved(const Follow *s, Work *w, Moved *moved, const uint8_t *booleans, int64_t without) {
    int n = 0, senders = (int)s->senders;
    moved->filled = 0, moved->group = -1;
    values_of(s, moved, booleans);
    for (int64_t r = 0; r < s->plain; r++)
        n += r != without && !same_law(s, r, plain_law(moved->ohm[r], moved->emf[r]));
    if (n > moved->room) {
        size_t room = (size_t)n + 8;
        free(moved->port), free(moved->lu), free(moved->scale), free(moved->force), free(moved->by_sender);
        free(moved->pivot), free(moved->side), free(moved->to_border);
        moved->side = halfsplit_room(w, room, sizeof(double)), moved->to_border = halfsplit_room(w, room, sizeof(double));
        moved->port = halfsplit_room(w, room, sizeof(Port)), moved->lu = halfsplit_room(w, room * room, sizeof(double));
        moved->scale = halfsplit_room(w, room, sizeof(double)), moved->pivot = halfsplit_room(w, room, sizeof(int));
        moved->force = halfsplit_room(w, room, sizeof(double));
        moved->by_sender = halfsplit_room(w, room * (size_t)senders, sizeof(double));
        w->bytes += (room * room - (size_t)moved->room * (size_t)moved->room) * sizeof(double);
        moved->room = w->failed ? 0 : (int)room;
        if (w->failed)
            return 0;
    }
    n = 0;
    for (int64_t r = 0; r < s->plain; r++) {
        Law law = plain_law(moved->ohm[r], moved->emf[r]);
        if (r != without && !same_law(s, r, law))
            moved->port[n++] = reactive_port(s, r, law, -1);
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
    w->fixed->hash = hash;
    return eliminate_moved(s, w, w->fixed, booleans, without);
}

static void add_border(Work *w, int *n, Port port) {
    w->port[(*n)++] = port;
}

/* All ports of a set: own ones, those that it and devices change, diodes; everything but their laws is worked out. */
static void make_border(const Follow *s, Work *w, int64_t f) {
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
    int b = n - m, alone = b == 1 && w->port[m].reactive < 0;
    w->ports = n, w->border = b;
    if (alone && fixed->group == w->group) {
        memcpy(w->side, fixed->side, sizeof(double) * (size_t)m);
        memcpy(w->to_border, fixed->to_border, sizeof(double) * (size_t)m);
        w->before[0] = fixed->before, w->within[0] = fixed->within;
        return;
    }
    for (int i = 0; i < b; i++)
        for (int c = 0; c < m; c++)
            w->to_border[i * m + c] = answer(s, w, &w->port[m + i], &w->port[c]);
    for (int c = 0; c < m; c++)
        for (int j = 0; j < b; j++)
            w->side[c * b + j] = w->port[c].beta * answer(s, w, &w->port[c], &w->port[m + j]);
    substitute(fixed->lu, m, fixed->pivot, fixed->scale, w->side, b);
    for (int i = 0; i < b; i++) {
        const double *row = w->to_border + (size_t)i * (size_t)m;
        w->before[i] = before(s, &w->port[m + i]);
        for (int c = 0; c < m; c++)
            w->before[i] -= row[c] * fixed->force[c];
        for (int j = 0; j < b; j++) {
            double sum = answer(s, w, &w->port[m + i], &w->port[m + j]);
            for (int c = 0; c < m; c++)
                sum -= row[c] * w->side[c * b + j];
            w->within[i * b + j] = sum;
        }
    }
    if (alone) {
        fixed->group = w->group;
        memcpy(fixed->side, w->side, sizeof(double) * (size_t)m);
        memcpy(fixed->to_border, w->to_border, sizeof(double) * (size_t)m);
        fixed->before = w->before[0], fixed->within = w->within[0];
    }
}

/* Solves the border with its present laws; ``force`` is its own part of w->force. */
static int solve_border(Work *w, double *force) {
    int m = w->fixed->ports, b = w->border;
    for (int i = 0; i < b; i++) {
        const Port *port = &w->port[m + i];
        for (int j = 0; j < b; j++)
            w->small[i * b + j] = port->beta * w->within[i * b + j] + (i == j ? port->alpha : 0.0);
        force[i] = port->beta * w->before[i] + port->gamma;
    }
    if (!factorise(w->small, b, w->small_pivot, w->small_scale))
        return 0;
    substitute(w->small, b, w->small_pivot, w->small_scale, force, 1);
    return 1;
}

static void tangents(const Follow *s, Work *w) {
    for (int i = w->fixed->ports; i < w->ports; i++) {
        Port *port = &w->port[i];
        int64_t k = port->diode, r = s->plain + k;
        double g, c;
        if (k < 0)
            continue;
        tangent(w->jv[k], s->saturation_a[k], s->slope_v[k], &g, &c);
        coefficients(s, r, diode_law(g, c, w->added_ohm[r]), port);
    }
}

static int all_forces(Work *w) {
    int m = w->fixed->ports, b = w->border;
    double *border = w->force + m;
    if (!solve_border(w, border))
        return 0;
    for (int c = 0; c < m; c++) {
        double sum = w->fixed->force[c];
        for (int j = 0; j < b; j++)
            sum -= w->side[c * b + j] * border[j];
        w->force[c] = sum;
    }
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
        for (int c = 0; c < m; c++) {
            double share = port->beta * w->to_border[i * m + c];
            for (int k = 0; k < senders; k++)
                border[i * senders + k] -= share * fixed[c * senders + k];
        }
    }
    substitute(w->small, b, w->small_pivot, w->small_scale, border, senders);
    for (int c = 0; c < m; c++)
        for (int j = 0; j < b; j++)
            for (int k = 0; k < senders; k++)
                fixed[c * senders + k] -= w->side[c * b + j] * border[j * senders + k];
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

static double junction(const Follow *s, const Work *w, int64_t k, double volts, double amps) {
    double ohm = w->added_ohm[s->plain + k];
    return isinf(ohm) ? 0.0 : volts - ohm * amps;
}

static int moved_on(double volts, double jv) {
    return fabs(volts - jv) > NEWTON_TOLERANCE_V + 1e-9 * fabs(volts);
}

static int left_tangent(const Follow *s, const Work *w, int64_t k, double v) {
    double saturation = s->saturation_a[k], slope = s->slope_v[k], base = s->junction_v[k];
    double away = v - base;
    /* So close by the curve is within 0.05 exp(0.1) of ``away`` of its tangent (its second derivative), and no exp. */
    if (fabs(away) < 0.1 * slope && 0.0056 * slope < s->diode_tolerance_v)
        return 0;
    double line = w->g0[k] * v + w->c0[k], above = expm1(smaller(v / slope, LARGEST_EXPONENT));
    double curve = saturation * above, steep = saturation / slope * (above + 1.0);
    double step = fabs(curve - line) / (smaller(steep, w->g0[k] + 1e6) + s->outside_siemens[k]);
    if (v > 0.0 && line > 1e-9) {
        double needed = fabs(v - slope * log1p(larger(line, -0.5 * saturation) / saturation));
        step = larger(step, needed);
    }
    return step > s->diode_tolerance_v;
}

static double junction_seen(const Follow *s, const Work *w, int64_t k) {
    return junction(s, w, k, w->sense[s->sense_diode_v + k], w->sense[s->sense_diode_a + k]);
}

int halfsplit_off_tangent(const Follow *s, Work *w, int64_t diode) {
    return left_tangent(s, w, diode, junction_seen(s, w, diode));
}

/* Newton's method for the active diodes, everything else eliminated; 0: no working point found. */
static int settle_junctions(const Follow *s, Work *w) {
    int m = w->fixed->ports, b = w->border;
    double base[2 * b], by[2 * b * b], *border = w->force + m;
    for (int i = 0; i < b; i++) {
        if (w->port[m + i].diode < 0)
            continue;
        for (int amps = 0; amps < 2; amps++) {
            int64_t at = (amps ? s->sense_diode_a : s->sense_diode_v) + w->port[m + i].diode;
            double from = s->sense_0[at], *mine = by + (2 * i + amps) * b;
            memset(mine, 0, sizeof(double) * (size_t)b);
            for (int j = 0; j < w->ports; j++) {
                double does = w->port[j].x[at];
                if (j >= m) {
                    mine[j - m] += does;
                    continue;
                }
                from -= w->fixed->force[j] * does;
                for (int c = 0; c < b; c++)
                    mine[c] -= w->side[j * b + c] * does;
            }
            base[2 * i + amps] = from;
        }
    }
    for (int step = 0; step < s->most_newton_steps; step++) {
        int moves = 0;
        tangents(s, w);
        if (!solve_border(w, border))
            return 0;
        for (int i = 0; i < b; i++) {
            int64_t k = w->port[m + i].diode;
            if (k < 0)
                continue;
            double volts = base[2 * i], amps = base[2 * i + 1];
            for (int j = 0; j < b; j++)
                volts -= by[2 * i * b + j] * border[j], amps -= by[(2 * i + 1) * b + j] * border[j];
            volts = junction(s, w, k, volts, amps);
            moves |= moved_on(volts, w->jv[k]);
            double next = limited(volts, w->jv[k], s->saturation_a[k], s->slope_v[k]);
            w->jv[k] = step > s->most_newton_steps / 2 ? 0.5 * (next + w->jv[k]) : next;
        }
        if (!moves)
            return 1;
    }
    return 0;
}

/* Is a diode within ``v`` of its tangent for certain, and everywhere between there and where it stands? */
static int on_tangent(const Follow *s, const Work *w, int64_t k, double v) {
    double saturation = s->saturation_a[k], slope = s->slope_v[k], base = s->junction_v[k];
    double line = w->g0[k] * v + w->c0[k], above = expm1(smaller(v / slope, LARGEST_EXPONENT));
    double curve = saturation * above, steep = saturation / slope * (above + 1.0);
    double step = fabs(curve - line) / (smaller(steep, w->g0[k] + 1e6) + s->outside_siemens[k]);
    /* As left_tangent has it, but grown to measures that only rise away from where the diode stands. */
    if ((v > 0.0 || base > 0.0) && (line > 1e-9 || w->g0[k] * base + w->c0[k] > 1e-9))
        step = larger(step, fabs(v - slope * log1p(larger(line, 1e-9) / saturation)));
    return step < 0.999 * s->diode_tolerance_v;
}

/* How far from where it stands a diode may go to one side. */
static double reach(const Follow *s, const Work *w, int64_t k, double side) {
    double near = 0.0, far = 1e-3;
    while (far < 1e4 && on_tangent(s, w, k, s->junction_v[k] + side * far))
        near = far, far *= 4.0;
    for (int step = 0; step < 30; step++) {
        double middle = 0.5 * (near + far);
        if (on_tangent(s, w, k, s->junction_v[k] + side * middle))
            near = middle;
        else
            far = middle;
    }
    return near;
}

/* Where nothing moves for certain; outside, it is asked what does. */
static void set_bounds(const Follow *s, Work *w) {
    for (int64_t k = 0; k < s->senses; k++)
        w->low[k] = -INFINITY, w->high[k] = INFINITY;
    for (int64_t k = 0; k < s->thresholds; k++) {
        if (!s->booleans[s->threshold_at[k]]) {
            w->high[k] = nextafter(s->pull_in_v[k], -INFINITY);
            if (s->absolute[k])
                w->low[k] = -w->high[k];
        } else if (s->absolute[k] && s->sense_0[k] < 0.0)
            w->high[k] = -nextafter(s->drop_out_v[k], INFINITY);
        else
            w->low[k] = nextafter(s->drop_out_v[k], INFINITY);
    }
    for (int64_t k = 0; k < s->overs; k++)
        if (!s->booleans[s->over_at[k]])
            w->high[s->sense_over + k] = s->limit_a[k], w->low[s->sense_over + k] = -s->limit_a[k];
    for (int64_t k = 0; k < s->diodes; k++) {
        w->low[s->sense_diode_v + k] = s->junction_v[k] - reach(s, w, k, -1.0);
        w->high[s->sense_diode_v + k] = s->junction_v[k] + reach(s, w, k, 1.0);
    }
}

WIDE int halfsplit_within(const Follow *s, const Work *w) {
    int64_t outside = 0;
    for (int64_t k = 0; k < s->senses; k++)
        outside += !(w->sense[k] >= w->low[k]) | !(w->sense[k] <= w->high[k]);
    return !outside;
}

static int same_places(const Follow *s, int64_t f, int64_t g) {
    int64_t a = s->own_start[f], b = s->own_start[g], count = s->own_start[f + 1] - a;
    if (count != s->own_start[g + 1] - b)
        return 0;
    size_t bytes = sizeof(int64_t) * (size_t)count;
    return !memcmp(s->in_plus + a, s->in_plus + b, bytes) && !memcmp(s->in_minus + a, s->in_minus + b, bytes) &&
           !memcmp(s->out_plus + a, s->out_plus + b, bytes) && !memcmp(s->out_minus + a, s->out_minus + b, bytes);
}

int64_t halfsplit_look_at_own(const Follow *s, Work *w, int64_t f, int *first) {
    int64_t in_plus[w->own_room], in_minus[w->own_room], out_plus[w->own_room], out_minus[w->own_room], g = f;
    int count = 0;
    for (; g < s->sets; g++) {
        int64_t from = s->own_start[g], many = s->own_start[g + 1] - from;
        if (g > f && same_places(s, g, g - 1)) {
            first[g] = first[g - 1];
            continue;
        }
        if (count && count + many > LANES)
            break;
        first[g] = count;
        for (int64_t k = 0; k < many; k++, count++) {
            in_plus[count] = s->in_plus[from + k], in_minus[count] = s->in_minus[from + k];
            out_plus[count] = s->out_plus[from + k], out_minus[count] = s->out_minus[from + k];
        }
    }
    w->looked++;
    for (int at = 0; at < count; at += LANES)
        halfsplit_look(w->looker, count - at < LANES ? count - at : LANES, in_plus + at, in_minus + at,
                       w->own_x + at * s->looks, count, out_plus, out_minus, w->across + at, w->own_room);
    return g - f;
}

void halfsplit_begin_set(const Follow *s, Work *w, int64_t f, int first) {
    w->first_own = first, w->group = w->looked * w->own_room + first;
    for (int64_t at = s->touched_start[f]; at < s->touched_start[f + 1]; at++)
        w->added_ohm[s->touched[at]] = s->added_ohm[at], w->added_v[s->touched[at]] = s->added_v[at];
}

void halfsplit_end_set(const Follow *s, Work *w, int64_t f) {
    for (int64_t at = s->touched_start[f]; at < s->touched_start[f + 1]; at++)
        w->added_ohm[s->touched[at]] = w->added_v[s->touched[at]] = 0.0;
}

/* The element among the plain reactive ones that a set changes itself; -2: several. */
static int64_t changed_element(const Follow *s, int64_t f) {
    int64_t found = -1;
    for (int64_t at = s->touched_start[f]; at < s->touched_start[f + 1]; at++)
        if (s->touched[at] < s->plain)
            found = found == -1 ? s->touched[at] : -2;
    return found;
}

static void take_key(Work *w, const uint8_t *booleans) {
    for (int64_t k = 0; k < w->movers; k++)
        w->key[k] = booleans[w->mover[k]];
}

static int begin(const Follow *s, Work *w, int64_t f, const uint8_t *booleans) {
    int64_t without = changed_element(s, f);
    take_key(w, booleans);
    w->is_solved = w->by_sender_known = 0;
    if (!take_moved(s, w, booleans, without < 0 ? -1 : without))
        return 0;
    if (without == -2) {
        /* Rare: such a set's elements are left to the border one by one by changing the system for it alone. */
        w->fixed->filled = 0, w->fixed->group = -1;
        int kept = 0;
        for (int i = 0; i < w->fixed->ports; i++) {
            int mine = 0;
            for (int64_t at = s->touched_start[f]; at < s->touched_start[f + 1]; at++)
                mine |= s->r_element[s->touched[at]] == w->fixed->port[i].element;
            if (!mine)
                w->fixed->port[kept++] = w->fixed->port[i];
        }
        w->fixed->ports = kept;
        if (!factorise_moved(s, w, w->fixed))
            return 0;
    }
    make_border(s, w, f);
    return 1;
}

int halfsplit_on_tangents(const Follow *s, Work *w, int64_t f, const uint8_t *booleans) {
    memset(w->active, 0, (size_t)s->diodes);
    if (!begin(s, w, f, booleans) || !all_forces(w))
        return 0;
    halfsplit_see(w, s->sense_0, 0, s->senses, w->sense);
    memcpy(w->solved, w->key, (size_t)w->movers);
    return 1;
}

int halfsplit_newton(const Follow *s, Work *w, int64_t f, const uint8_t *booleans) {
    take_key(w, booleans);
    if (w->is_solved && !memcmp(w->key, w->solved, (size_t)w->movers))
        return 1;
    if (!begin(s, w, f, booleans))
        return 0;
    for (;;) {
        int left = 0, moved = 0;
        tangents(s, w);
        if (!all_forces(w))
            return 0;
        halfsplit_see(w, s->sense_0 + s->sense_diode_v, s->sense_diode_v, 2 * s->diodes, w->sense + s->sense_diode_v);
        for (int64_t k = 0; k < s->diodes; k++) {
            w->volts[k] = junction_seen(s, w, k);
            moved |= w->active[k] && moved_on(w->volts[k], w->jv[k]);
        }
        for (int64_t k = 0; k < s->diodes && !moved; k++)
            if (!w->active[k] && left_tangent(s, w, k, w->volts[k])) {
                w->jv[k] = limited(w->volts[k], s->junction_v[k], s->saturation_a[k], s->slope_v[k]);
                w->active[k] = 1;
                left = 1;
            }
        if (!moved && !left)
            break;
        if (left)
            make_border(s, w, f);
        if (!settle_junctions(s, w))
            return 0;
    }
    halfsplit_see(w, s->sense_0, 0, s->senses, w->sense);
    memcpy(w->solved, w->key, (size_t)w->movers);
    w->is_solved = 1;
    return 1;
}

uint64_t halfsplit_hash(const uint8_t *bytes, int64_t count) {
    uint64_t hash = 1469598103934665603u, eight; /* FNV-1a over eight bytes at a time */
    int64_t k = 0;
    for (; k + 8 <= count; k += 8) {
        memcpy(&eight, bytes + k, 8);
        hash = (hash ^ eight) * 1099511628211u;
        hash ^= hash >> 29;
    }
    for (; k < count; k++)
        hash = (hash ^ bytes[k]) * 1099511628211u;
    return hash;
}

void *halfsplit_room(Work *w, size_t count, size_t size) {
    void *array = calloc(count + 1, size);
    if (!array)
        w->failed = 1;
    return array;
}

void halfsplit_work_begin(const Follow *s, Work *w) {
    w->looker = halfsplit_looker_new(s->pattern, s->rho, s->sigma, s->leak_siemens, s->looks, s->look_plus, s->look_minus);
    if (!w->looker)
        w->failed = 1;
    size_t all = (size_t)(s->most_own + s->reactive), d = (size_t)s->devices, k = (size_t)s->diodes;
    /* The border: own ports, elements that a set changes, diodes. */
    size_t border = (size_t)(s->most_own + s->most_touched) + k;
    uint8_t *moves = halfsplit_room(w, d, 1);
    w->mover = halfsplit_room(w, d, sizeof(int64_t));
    if (moves && w->mover) {
        for (int64_t one = 0; one < s->switches; one++)
            moves[s->switch_device[one]] = 1;
        for (int64_t one = 0; one < s->swaps; one++)
            moves[s->swap_device[one]] = 1;
        for (int64_t one = 0; one < s->steps; one++)
            moves[s->step_device[one]] = 1;
        for (size_t one = 0; one < d; one++)
            if (moves[one])
                w->mover[w->movers++] = (int64_t)one;
    }
    free(moves);
    w->own_room = s->most_own > LANES ? (int)s->most_own : LANES;
    w->start = halfsplit_room(w, d, 1);
    w->own_x = halfsplit_room(w, (size_t)w->own_room * (size_t)s->looks, sizeof(double));
    w->across = halfsplit_room(w, (size_t)w->own_room * (size_t)w->own_room, sizeof(double));
    w->added_ohm = halfsplit_room(w, (size_t)s->reactive, sizeof(double));
    w->added_v = halfsplit_room(w, (size_t)s->reactive, sizeof(double));
    w->low = halfsplit_room(w, (size_t)s->senses, sizeof(double));
    w->high = halfsplit_room(w, (size_t)s->senses, sizeof(double));
    w->amount = halfsplit_room(w, (size_t)s->senders, sizeof(double));
    w->average = halfsplit_room(w, (size_t)s->links, sizeof(double));
    w->key = halfsplit_room(w, d, 1), w->solved = halfsplit_room(w, d, 1);
    w->moved = halfsplit_room(w, MOVED_KEPT, sizeof(Moved));
    for (int one = 0; one < MOVED_KEPT && !w->failed; one++) {
        w->moved[one].key = halfsplit_room(w, d, 1), w->moved[one].group = -1;
        w->moved[one].side = halfsplit_room(w, 0, sizeof(double));
        w->moved[one].to_border = halfsplit_room(w, 0, sizeof(double));
        w->moved[one].ohm = halfsplit_room(w, (size_t)s->plain, sizeof(double));
        w->moved[one].emf = halfsplit_room(w, (size_t)s->plain, sizeof(double));
    }
    w->port = halfsplit_room(w, all, sizeof(Port)), w->to_border = halfsplit_room(w, all * border, sizeof(double));
    w->side = halfsplit_room(w, all * border, sizeof(double)), w->within = halfsplit_room(w, border * border, sizeof(double));
    w->before = halfsplit_room(w, border, sizeof(double)), w->small = halfsplit_room(w, border * border, sizeof(double));
    w->small_scale = halfsplit_room(w, border, sizeof(double)), w->small_pivot = halfsplit_room(w, border, sizeof(int));
    w->force = halfsplit_room(w, all, sizeof(double));
    w->by_sender = halfsplit_room(w, all * (size_t)s->senders, sizeof(double));
    w->g0 = halfsplit_room(w, k, sizeof(double)), w->c0 = halfsplit_room(w, k, sizeof(double));
    w->jv = halfsplit_room(w, k, sizeof(double)), w->kept_jv = halfsplit_room(w, k, sizeof(double));
    w->volts = halfsplit_room(w, k, sizeof(double)), w->sense = halfsplit_room(w, (size_t)s->senses, sizeof(double));
    w->active = halfsplit_room(w, k, 1), w->kept_active = halfsplit_room(w, k, 1);
    w->now = halfsplit_room(w, d, 1), w->next = halfsplit_room(w, d, 1);
    w->asked = halfsplit_room(w, (size_t)s->logics, 1);
    w->hash = halfsplit_room(w, (size_t)s->most_rounds, sizeof(uint64_t));
    for (size_t one = 0; one < k && !w->failed; one++)
        tangent(s->junction_v[one], s->saturation_a[one], s->slope_v[one], &w->g0[one], &w->c0[one]);
    if (!w->failed)
        set_bounds(s, w);
}

void halfsplit_work_end(Work *w) {
    for (int one = 0; w->moved && one < MOVED_KEPT; one++) {
        Moved *moved = &w->moved[one];
        free(moved->key), free(moved->ohm), free(moved->emf), free(moved->port), free(moved->lu);
        free(moved->scale), free(moved->force), free(moved->by_sender), free(moved->pivot);
        free(moved->side), free(moved->to_border);
    }
    halfsplit_looker_free(w->looker);
    free(w->start), free(w->own_x), free(w->across), free(w->added_ohm), free(w->added_v), free(w->low), free(w->high);
    free(w->amount), free(w->average), free(w->mover), free(w->key), free(w->solved);
    free(w->moved), free(w->port), free(w->to_border), free(w->within), free(w->before), free(w->side), free(w->small);
    free(w->small_scale), free(w->small_pivot), free(w->force), free(w->by_sender), free(w->g0);
    free(w->c0), free(w->jv), free(w->kept_jv), free(w->volts), free(w->sense), free(w->active), free(w->kept_active);
    free(w->now), free(w->next), free(w->asked), free(w->hash), free(w->trail), free(w->loop);
}
