/* Port systems of one change set at a time, and Newton's method for its diodes; see ports.c. */
#ifndef HALFSPLIT_PORTS_H
#define HALFSPLIT_PORTS_H

#include <stddef.h>

#include "looking.h"

/* A place of change: a force acts there, and the place answers with ``out``. */
typedef struct {
    const double *x;       /* what a unit force does at all looks */
    int64_t out_plus, out_minus, element;
    int64_t reactive;      /* which reactive element it is; -1: a place of the set's own, */
    int own;               /* which is this one of those looked at together */
    double alpha, beta, gamma;
    int64_t diode; /* which diode, if its tangent moves; else -1 */
} Port;

/* What devices alone make of the state: the ports of the elements they have moved, eliminated once for all sets. */
typedef struct {
    uint64_t hash;
    uint8_t *key;          /* how the devices that move elements stand */
    int64_t without;       /* the element a set has changed too, which is then left to the border; -1: none */
    int ports, room, filled;
    double *ohm, *emf;     /* of the plain reactive elements as the devices stand */
    Port *port;
    double *lu, *scale, *force, *by_sender;
    int *pivot;
    /* What a border of one place, the same for all severities of a fault, makes of it. */
    int64_t group;         /* whose; -1: none yet */
    double *side, *to_border, within, before;
} Moved;

typedef struct {
    Moved *moved;          /* [MOVED_KEPT] */
    Moved *fixed;          /* the one in use */
    Looker *looker;
    double *own_x, *across; /* of own places: [room][looks], and the answers of each to each other [room][room] */
    int own_room, first_own;/* the first of the present set's own places among them */
    int64_t group, looked;  /* a number of the present set's own places, alike for sets with the same ones */
    uint8_t *start;         /* [devices]: where sets in which none is held start from */
    double *added_ohm, *added_v; /* [reactive], of the present set */
    double *low, *high;     /* [senses]: between them no device moves and no diode leaves its tangent */
    double *amount, *average; /* [senders] and [links]: what senders put on links before any change, for these amounts */
    int kept, oldest;
    size_t bytes;
    int64_t *mover, movers; /* the devices that move elements; how the others stand changes no voltage */
    uint8_t *key, *solved;  /* how the movers stand; and how they stood for the present forces, if ``is_solved`` */
    int is_solved, by_sender_known;
    /* All ports of a set: those of ``fixed``, then the border: its own, elements it and devices both change, diodes. */
    Port *port;
    int ports, border;
    double *to_border;     /* [border][fixed]: what a fixed port does to each of the border */
    double *within;        /* [border][border]: the border's answers to each other, everything else eliminated */
    double *before;        /* [border]: and what they answer before they act */
    double *side;          /* [fixed][border]: what a force in the border takes off each fixed one */
    double *small, *small_scale;
    int *small_pivot;
    double *force;         /* [ports] */
    double *by_sender;     /* [ports][senders] */
    double *g0, *c0;       /* tangents of the state */
    double *jv, *kept_jv, *volts, *sense;
    uint8_t *active, *kept_active, *now, *next, *asked, *trail, *loop;
    uint64_t *hash;
    int trail_count, trail_room, loop_count, loop_room;
    int failed;            /* memory is lacking */
} Work;

void *halfsplit_room(Work *w, size_t count, size_t size);
uint64_t halfsplit_hash(const uint8_t *bytes, int64_t count);
void halfsplit_work_begin(const Follow *s, Work *w);
void halfsplit_work_end(Work *w);
/* base - sum of forces times what they do to the looks from the given one on. */
void halfsplit_see(const Work *w, const double *base, int64_t from, int64_t count, double *into);
void halfsplit_forces_by_sender(const Follow *s, Work *w);
/* Makes the own places of ``f`` and of sets after it ready; gives how many sets are. ``first`` [sets] becomes the number
 * of each set's first own place among those looked at. */
int64_t halfsplit_look_at_own(const Follow *s, Work *w, int64_t f, int *first);
/* Takes up a set, and lets it go again. */
void halfsplit_begin_set(const Follow *s, Work *w, int64_t f, int first);
void halfsplit_end_set(const Follow *s, Work *w, int64_t f);
/* Solves a set with its devices as they stand; leaves ports, forces and senses. 0: the diodes found no working point. */
int halfsplit_newton(const Follow *s, Work *w, int64_t f, const uint8_t *booleans);
/* The same with every diode on the tangent of the state, whether that is right or not. */
int halfsplit_on_tangents(const Follow *s, Work *w, int64_t f, const uint8_t *booleans);
/* Is a set just solved on tangents sure to move nothing, as far as thresholds, over-currents and diodes go? */
int halfsplit_within(const Follow *s, const Work *w);
/* Has a diode that is not active left its tangent, for a set just solved? */
int halfsplit_off_tangent(const Follow *s, Work *w, int64_t diode);

#endif
