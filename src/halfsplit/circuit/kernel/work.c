/* Room for following change sets, and what is prepared for many of them together: bounds, and their own places. */
#include <stdlib.h>
#include <string.h>

#include "laws.h"

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
    w->looker = halfsplit_looker_new(s->pattern, s->rho, s->sigma, s->leak_siemens, s->looks, s->look_plus,
                                     s->look_minus);
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
        w->moved[one].diode_side = halfsplit_room(w, k, sizeof(double *));
        w->moved[one].diode = halfsplit_room(w, k, sizeof(double *));
        w->moved[one].ohm = halfsplit_room(w, (size_t)s->plain, sizeof(double));
        w->moved[one].emf = halfsplit_room(w, (size_t)s->plain, sizeof(double));
    }
    w->port = halfsplit_room(w, all, sizeof(Port)), w->row = halfsplit_room(w, all * border, sizeof(double));
    w->sides = halfsplit_room(w, border, sizeof(double *));
    w->by_look = halfsplit_room(w, 2 * k * (size_t)s->reactive, sizeof(double));
    for (int64_t one = 0; one < 2 * s->diodes && !w->failed; one++)
        for (int64_t r = 0; r < s->reactive; r++)
            w->by_look[one * s->reactive + r] = s->x[r * s->looks + s->sense_diode_v + one];
    w->side = halfsplit_room(w, all * border, sizeof(double)), w->before = halfsplit_room(w, border, sizeof(double));
    w->within = halfsplit_room(w, border * border, sizeof(double));
    w->small = halfsplit_room(w, border * border, sizeof(double));
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

void halfsplit_work_end(const Follow *s, Work *w) {
    for (int one = 0; w->moved && one < MOVED_KEPT; one++) {
        Moved *moved = &w->moved[one];
        if (moved->diode && moved->diode_side)
            halfsplit_empty(s, w, moved);
        free(moved->key), free(moved->ohm), free(moved->emf), free(moved->diode_side), free(moved->diode);
    }
    halfsplit_looker_free(w->looker);
    free(w->start), free(w->own_x), free(w->across), free(w->added_ohm), free(w->added_v), free(w->low), free(w->high);
    free(w->amount), free(w->average), free(w->mover), free(w->key), free(w->solved);
    free(w->moved), free(w->port), free(w->row), free(w->sides), free(w->by_look), free(w->within), free(w->before);
    free(w->side), free(w->small);
    free(w->small_scale), free(w->small_pivot), free(w->force), free(w->by_sender), free(w->g0);
    free(w->c0), free(w->jv), free(w->kept_jv), free(w->volts), free(w->sense), free(w->active), free(w->kept_active);
    free(w->now), free(w->next), free(w->asked), free(w->hash), free(w->trail), free(w->loop);
}
