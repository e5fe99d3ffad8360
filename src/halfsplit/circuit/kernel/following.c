/* What devices do under thousands of changes of one circuit, each followed until it rests or goes in a circle.
 *
 * The same as batch.py, devices.py and follow.py do in arrays, one change set after the other; those say why.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "ports.h"

static uint8_t value_of(const int32_t *op, const uint8_t *booleans) {
    uint8_t stack[256];
    int top = 0;
    for (;;)
        switch (*op++) {
        case OP_END:
            return stack[0];
        case OP_VAR:
            stack[top++] = booleans[*op++];
            break;
        case OP_TRUE:
            stack[top++] = 1;
            break;
        case OP_FALSE:
            stack[top++] = 0;
            break;
        case OP_NOT:
            stack[top - 1] = !stack[top - 1];
            break;
        default: {
            int all = op[-1] == OP_AND, count = *op++;
            uint8_t value = (uint8_t)all;
            for (int k = 0; k < count; k++)
                value = all ? (uint8_t)(value & stack[top - 1 - k]) : (uint8_t)(value | stack[top - 1 - k]);
            top -= count;
            stack[top++] = value;
        }
        }
}

static int held(const int8_t *forced, int64_t device) {
    return forced && forced[device] >= 0;
}

static void ask_again(const Follow *s, Work *w, int64_t device) {
    for (int32_t k = s->asks_start[device]; k < s->asks_start[device + 1]; k++)
        w->asked[s->asks[k]] = 1;
}

/* The first place from ``at`` on where the two differ; many bytes are alike. */
static int64_t differ(const uint8_t *a, const uint8_t *b, int64_t at, int64_t count) {
    uint64_t one, other;
    for (; at + 8 <= count; at += 8) {
        memcpy(&one, a + at, 8), memcpy(&other, b + at, 8);
        if (one != other)
            break;
    }
    while (at < count && a[at] == b[at])
        at++;
    return at;
}

/* The first place from ``at`` on that is set. */
static int64_t set_from(const uint8_t *a, int64_t at, int64_t count) {
    uint64_t eight;
    for (; at + 8 <= count; at += 8) {
        memcpy(&eight, a + at, 8);
        if (eight)
            break;
    }
    while (at < count && !a[at])
        at++;
    return at;
}

/* Works out the logic of ``next``, which differs from ``now``, where it holds; without ``now`` all of it. */
static void apply_logic(const Follow *s, Work *w, const uint8_t *now, uint8_t *next, const int8_t *forced) {
    if (now) {
        memcpy(w->asked, s->logic_always, (size_t)s->logics);
        for (int64_t d = differ(now, next, 0, s->devices); d < s->devices; d = differ(now, next, d + 1, s->devices))
            ask_again(s, w, d);
    } else
        memset(w->asked, 1, (size_t)s->logics);
    for (int64_t k = set_from(w->asked, 0, s->logics); k < s->logics; k = set_from(w->asked, k + 1, s->logics)) {
        int32_t device = s->logic_device[k];
        uint8_t value = held(forced, device) ? (uint8_t)forced[device] : value_of(s->logic + s->logic_start[k], next);
        if (value != next[device]) {
            next[device] = value;
            ask_again(s, w, device);
        }
    }
}

/* Which bus links hold, see devices.links_hold. */
WIDE static void links_hold(const Follow *s, Work *w, const uint8_t *now, uint8_t *next) {
    int senders = (int)s->senders, links = (int)s->links;
    double *amount = w->amount, level[links], average[links];
    int same = 1;
    halfsplit_forces_by_sender(s, w);
    for (int one = 0; one < senders; one++) {
        double here = s->sender_device[one] < 0 || now[s->sender_device[one]] ? s->sender_average_v[one] : 0.0;
        same &= here == amount[one];
        amount[one] = here;
    }
    if (!same) {
        memset(w->average, 0, sizeof(double) * (size_t)links);
        for (int one = 0; one < senders; one++)
            for (int k = 0; k < links; k++)
                w->average[k] += amount[one] * s->link_0[one * links + k];
    }
    memcpy(average, w->average, sizeof(double) * (size_t)links);
    for (int k = 0; k < links; k++)
        level[k] = s->link_0[s->link_sender[k] * links + k];
    for (int j = 0; j < w->ports; j++) {
        const double *x = w->port[j].x + s->sense_link_v, *by_sender = w->by_sender + j * senders;
        double combined = 0.0, some = 0.0;
        for (int one = 0; one < senders; one++)
            combined += amount[one] * by_sender[one], some += fabs(by_sender[one]);
        if (some == 0.0)
            continue;
        for (int k = 0; k < links; k++) {
            level[k] -= by_sender[s->link_sender[k]] * x[k];
            average[k] -= combined * x[k];
        }
    }
    for (int k = 0; k < links; k++) {
        const double *limit = s->link_limits + 5 * k;
        double reference = s->link_reference[k];
        int wired = fabs(reference) > 1e-9;
        double share = level[k] / (wired ? reference : 1.0), idle = w->sense[s->sense_link_v + k] - average[k];
        double common = 0.5 * (w->sense[s->sense_link_high + k] + w->sense[s->sense_link_low + k]);
        next[s->link_at[k]] = wired && share >= limit[0] && share <= limit[1] && fabs(idle) < limit[2] &&
                              common >= limit[3] && common <= limit[4];
    }
}

/* Do the links of a set just solved on the state as it is stay as they are? */
static int links_stay(const Follow *s, Work *w) {
    if (!s->links)
        return 1;
    links_hold(s, w, s->booleans, w->next);
    for (int64_t k = 0; k < s->links; k++)
        if (w->next[s->link_at[k]] != s->booleans[s->link_at[k]])
            return 0;
    return 1;
}

/* Device values after one round, over-currents left as they are. */
static void next_values(const Follow *s, Work *w, const uint8_t *now, const int8_t *forced, uint8_t *next) {
    memcpy(next, now, (size_t)s->devices);
    for (int64_t k = 0; k < s->thresholds; k++) {
        double volts = s->absolute[k] ? fabs(w->sense[k]) : w->sense[k];
        int64_t at = s->threshold_at[k];
        next[at] = now[at] ? volts > s->drop_out_v[k] : volts >= s->pull_in_v[k];
    }
    if (s->links)
        links_hold(s, w, now, next);
    for (int64_t d = 0; forced && d < s->devices; d++)
        if (forced[d] >= 0)
            next[d] = (uint8_t)forced[d];
    apply_logic(s, w, now, next, forced);
}

/* Trips the whole over-current device with the largest overload, if any; tells whether one did. */
static int trip(const Follow *s, Work *w, const uint8_t *now, const int8_t *forced, uint8_t *next) {
    int64_t worst = -1;
    double most = 1.0;
    for (int64_t k = 0; k < s->overs; k++) {
        int64_t at = s->over_at[k];
        double amps = fabs(w->sense[s->sense_over + k]);
        if (amps > s->limit_a[k] && !now[at] && !held(forced, at) && amps / s->limit_a[k] > most)
            most = amps / s->limit_a[k], worst = k;
    }
    memcpy(next, now, (size_t)s->devices);
    if (worst >= 0) {
        next[s->over_at[worst]] = 1;
        apply_logic(s, w, now, next, forced);
    }
    return worst >= 0;
}

static void one_at_a_time(const Follow *s, Work *w, const uint8_t *now, const int8_t *forced, uint8_t *next) {
    int64_t first = -1;
    for (int64_t d = 0; d < s->devices && first < 0; d++)
        if (s->slow[d] && now[d] != next[d])
            first = d;
    uint8_t value = first >= 0 ? next[first] : 0;
    memcpy(next, now, (size_t)s->devices);
    if (first >= 0)
        next[first] = value;
    apply_logic(s, w, now, next, forced);
}

static int room_for(uint8_t **array, int *room, int count, int64_t devices) {
    if (count < *room)
        return 1;
    int wanted = *room ? 2 * *room : 16;
    uint8_t *grown = realloc(*array, (size_t)wanted * (size_t)devices);
    if (!grown)
        return 0;
    *array = grown, *room = wanted;
    return 1;
}

static void read_values(const Follow *s, const Work *w, double *into) {
    halfsplit_see(w, s->reading_0, s->senses, s->readings, into);
}

/* Readings of a set that goes in a circle: the mean over its states, and the states are kept. */
static int read_circle(Follow *s, Work *w, int64_t f) {
    double *into = s->values + f * s->readings, mean[s->readings + 1];
    memset(mean, 0, sizeof(mean));
    memcpy(w->kept_jv, w->jv, sizeof(double) * (size_t)s->diodes);
    memcpy(w->kept_active, w->active, (size_t)s->diodes);
    for (int k = 0; k < w->loop_count; k++) {
        memcpy(w->jv, w->kept_jv, sizeof(double) * (size_t)s->diodes);
        memcpy(w->active, w->kept_active, (size_t)s->diodes);
        w->is_solved = 0;
        halfsplit_newton(s, w, f, w->loop + (size_t)k * (size_t)s->devices);
        read_values(s, w, into);
        for (int64_t r = 0; r < s->readings; r++)
            mean[r] += into[r];
    }
    for (int64_t r = 0; r < s->readings; r++)
        into[r] = mean[r] / w->loop_count;
    if (s->cycle_states + w->loop_count > s->cycle_room) {
        int64_t room = 2 * (s->cycle_states + w->loop_count);
        uint8_t *grown = realloc(s->cycles, (size_t)room * (size_t)s->devices);
        if (!grown)
            return 0;
        s->cycles = grown, s->cycle_room = room;
    }
    memcpy(s->cycles + s->cycle_states * s->devices, w->loop, (size_t)w->loop_count * (size_t)s->devices);
    s->cycle_states += w->loop_count;
    s->cycle_length[f] = w->loop_count;
    return 1;
}

/* How devices stand at the start, ``forced`` ones as they are held. */
static void begin_held(const Follow *s, Work *w, const int8_t *forced, uint8_t *start) {
    for (int64_t d = 0; d < s->devices; d++)
        start[d] = held(forced, d) ? (uint8_t)forced[d] : s->booleans[d];
    apply_logic(s, w, NULL, start, forced);
}

/* Follows one set from how the devices stand; 0: out of memory, -1: more rounds than can be. */
static int follow(Follow *s, Work *w, int64_t f) {
    const int8_t *forced = s->forced ? s->forced + f * s->devices : NULL;
    size_t devices = (size_t)s->devices;
    memcpy(w->now, w->start, devices);
    if (forced)
        begin_held(s, w, forced, w->now);
    memcpy(w->jv, s->junction_v, sizeof(double) * (size_t)s->diodes);
    memset(w->active, 0, (size_t)s->diodes);
    w->trail_count = w->loop_count = 0;
    for (int64_t round = 0; round < s->most_rounds; round++) {
        uint64_t hash = halfsplit_hash(w->now, s->devices);
        for (int k = 0; k < w->trail_count; k++)
            if (w->hash[k] == hash && !memcmp(w->trail + (size_t)k * devices, w->now, devices)) {
                if (w->loop_count) {
                    s->kind[f] = CHATTERS, s->switched[f] = 1;
                    memcpy(s->after + (size_t)f * devices, w->now, devices);
                    return read_circle(s, w, f);
                }
                while (w->loop_room < w->trail_count)
                    if (!room_for(&w->loop, &w->loop_room, w->loop_room, s->devices))
                        return 0;
                w->loop_count = w->trail_count - k;
                memcpy(w->loop, w->trail + (size_t)k * devices, (size_t)w->loop_count * devices);
                w->trail_count = 0;
                break;
            }
        if (!room_for(&w->trail, &w->trail_room, w->trail_count, s->devices))
            return 0;
        memcpy(w->trail + (size_t)w->trail_count * devices, w->now, devices);
        w->hash[w->trail_count++] = hash;
        if (!halfsplit_newton(s, w, f, w->now)) {
            s->kind[f] = STUCK;
            return 1;
        }
        next_values(s, w, w->now, forced, w->next);
        if (!memcmp(w->next, w->now, devices)) {
            if (!trip(s, w, w->now, forced, w->next) || !memcmp(w->next, w->now, devices)) {
                s->kind[f] = w->loop_count ? LATCHES : STEADY;
                memcpy(s->after + (size_t)f * devices, w->now, devices);
                s->switched[f] = memcmp(w->now, s->booleans, devices) != 0;
                if (s->after_v)
                    memcpy(s->after_v + f * s->diodes, w->jv, sizeof(double) * (size_t)s->diodes);
                read_values(s, w, s->values + f * s->readings);
                if (s->sense)
                    memcpy(s->sense + f * s->senses, w->sense, sizeof(double) * (size_t)s->senses);
                return 1;
            }
            w->trail_count = w->loop_count = 0;
        } else if (w->loop_count)
            one_at_a_time(s, w, w->now, forced, w->next);
        memcpy(w->now, w->next, devices);
    }
    return -1;
}

/* One set on the state as it is; tells whether anything moves because of it. */
static int moves(Follow *s, Work *w, int64_t f) {
    const int8_t *forced = s->forced ? s->forced + f * s->devices : NULL;
    w->is_solved = 0;
    if (s->touched_start[f + 1] > s->touched_start[f] || !halfsplit_on_tangents(s, w, f, s->booleans))
        return 1;
    if (forced || !halfsplit_within(s, w) || !links_stay(s, w)) {
        for (int64_t k = 0; k < s->diodes; k++)
            if (halfsplit_off_tangent(s, w, k))
                return 1;
        w->is_solved = 1; /* with every diode on its tangent: the first round need not do it again */
        next_values(s, w, s->booleans, forced, w->next);
        if (memcmp(w->next, s->booleans, (size_t)s->devices) || trip(s, w, s->booleans, forced, w->next))
            return 1;
    }
    s->kind[f] = STEADY;
    memcpy(s->after + f * s->devices, s->booleans, (size_t)s->devices);
    if (s->after_v)
        memcpy(s->after_v + f * s->diodes, s->junction_v, sizeof(double) * (size_t)s->diodes);
    read_values(s, w, s->values + f * s->readings);
    if (s->sense)
        memcpy(s->sense + f * s->senses, w->sense, sizeof(double) * (size_t)s->senses);
    return 0;
}

/* Follows every set. 1: done, 0: out of memory, -1: devices that neither rest nor circle. */
int64_t halfsplit_follow(Follow *s) {
    Work w = {0};
    int64_t done = 1;
    halfsplit_work_begin(s, &w);
    int *first = halfsplit_room(&w, (size_t)s->sets, sizeof(int));
    if (!w.failed)
        begin_held(s, &w, NULL, w.start);
    for (int64_t f = 0, ready = 0; f < s->sets && !w.failed && done == 1; f++) {
        if (f == ready)
            ready += halfsplit_look_at_own(s, &w, f, first);
        halfsplit_begin_set(s, &w, f, first[f]);
        if (moves(s, &w, f))
            done = follow(s, &w, f);
        halfsplit_end_set(s, &w, f);
    }
    free(first);
    if (w.failed)
        done = 0;
    halfsplit_work_end(s, &w);
    return done;
}

void halfsplit_free(void *block) {
    free(block);
}
