/* Newton's method for the diodes of one change set, everything else eliminated; see junctions.py, which says why. */
#include <stdlib.h>
#include <string.h>

#include "laws.h"

#define NEWTON_TOLERANCE_V 1e-6

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
        int64_t k = w->port[m + i].diode;
        if (k < 0)
            continue;
        const double *kept = w->fixed->diode[k];
        for (int amps = 0; amps < 2; amps++) {
            int part = amps ? DIODE_AMPS : DIODE_VOLTS;
            int64_t at = (amps ? s->sense_diode_a : s->sense_diode_v) + k;
            double *mine = by + (2 * i + amps) * b;
            base[2 * i + amps] = halfsplit_kept_before(s, kept)[part];
            for (int j = 0; j < b; j++)
                mine[j] = w->port[m + j].diode >= 0
                              ? kept[part * s->diodes + w->port[m + j].diode]
                              : w->port[m + j].x[at] - halfsplit_passed(s, w, w->fixed, k, part, w->sides[j]);
        }
    }
    for (int step = 0; step < s->most_newton_steps; step++) {
        int moves = 0;
        tangents(s, w);
        if (!halfsplit_solve_border(w, border))
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

int halfsplit_on_tangents(const Follow *s, Work *w, int64_t f, const uint8_t *booleans) {
    memset(w->active, 0, (size_t)s->diodes);
    if (!halfsplit_begin(s, w, f, booleans) || !halfsplit_all_forces(w))
        return 0;
    halfsplit_see(w, s->sense_0, 0, s->senses, w->sense);
    memcpy(w->solved, w->key, (size_t)w->movers);
    return 1;
}

int halfsplit_newton(const Follow *s, Work *w, int64_t f, const uint8_t *booleans) {
    halfsplit_take_key(w, booleans);
    if (w->is_solved && !memcmp(w->key, w->solved, (size_t)w->movers))
        return 1;
    if (!halfsplit_begin(s, w, f, booleans))
        return 0;
    for (;;) {
        int left = 0, moved = 0;
        tangents(s, w);
        if (!halfsplit_all_forces(w))
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
            halfsplit_make_border(s, w, f);
        if (!settle_junctions(s, w))
            return 0;
    }
    halfsplit_see(w, s->sense_0, 0, s->senses, w->sense);
    memcpy(w->solved, w->key, (size_t)w->movers);
    w->is_solved = 1;
    return 1;
}
