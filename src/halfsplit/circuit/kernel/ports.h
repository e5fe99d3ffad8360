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
    int *reactive;         /* which element each port is */
    /* What a set's single place of its own, the same for all severities of a fault, makes of it. */
    int64_t group;         /* whose; -1: none yet */
    double *side, *row, within, before;
    /* What each diode makes of it, worked out when one first leaves the tangent of the state: what a force in its
     * branch takes off each port [ports], and what is kept beside it. */
    double **diode_side, **diode; /* [diodes], NULL where not yet */
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
    double *amount, *average; /* [senders], [links]: what senders put on links before any change, for these amounts */
    int kept, oldest;
    size_t bytes;
    int64_t *mover, movers; /* the devices that move elements; how the others stand changes no voltage */
    uint8_t *key, *solved;  /* how the movers stand; and how they stood for the present forces, if ``is_solved`` */
    int is_solved, by_sender_known;
    /* All ports of a set: those of ``fixed``, then the border: its own, elements it and devices both change, diodes. */
    Port *port;
    int ports, border;
    double *row;           /* [border][fixed]: what a fixed port does to each of the border that is no diode */
    double *by_look;       /* [2][diodes][reactive]: what a force in each element does to diodes' volts and amps */
    double *within;        /* [border][border]: the border's answers to each other, everything else eliminated */
    double *before;        /* [border]: and what they answer before they act */
    double *side;          /* [border][fixed]: what a force in the border that is no diode takes off each fixed one */
    const double **sides;  /* [border]: the same for all of it */
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

#define MOVED_KEPT 512 /* resting values of devices whose ports are kept, at the most; measured, see docs/bench.md */

/* What is kept of a diode: what a force in each diode's branch makes its place answer, its volts and its amps, all with
 * the fixed ports eliminated [3][diodes]; the three before any; and what its place answers to each sender [senders]. */
enum { DIODE_ANSWER = 0, DIODE_VOLTS = 1, DIODE_AMPS = 2, DIODE_PARTS = 3 };

void *halfsplit_room(Work *w, size_t count, size_t size);
uint64_t halfsplit_hash(const uint8_t *bytes, int64_t count);
void halfsplit_work_begin(const Follow *s, Work *w);
void halfsplit_work_end(const Follow *s, Work *w);
/* base - sum of forces times what they do to the looks from the given one on. */
void halfsplit_see(const Work *w, const double *base, int64_t from, int64_t count, double *into);
void halfsplit_forces_by_sender(const Follow *s, Work *w);
/* Makes the own places of ``f`` and of sets after it ready; gives how many sets are. ``first`` [sets] becomes the
 * number of each set's first own place among those looked at. */
int64_t halfsplit_look_at_own(const Follow *s, Work *w, int64_t f, int *first);
/* Takes up a set, and lets it go again. */
void halfsplit_begin_set(const Follow *s, Work *w, int64_t f, int first);
void halfsplit_end_set(const Follow *s, Work *w, int64_t f);
/* Takes up how the devices that move elements stand; and with it all ports of a set, what devices moved eliminated. */
void halfsplit_take_key(Work *w, const uint8_t *booleans);
int halfsplit_begin(const Follow *s, Work *w, int64_t f, const uint8_t *booleans);
/* Works out a set's border for the diodes that are active; solves it with its present laws; and all forces after it. */
void halfsplit_make_border(const Follow *s, Work *w, int64_t f);
int halfsplit_solve_border(Work *w, double *force);
int halfsplit_all_forces(Work *w);
/* What fixed ports with these forces do to a diode's place, or its volts or amps. */
double halfsplit_passed(const Follow *s, const Work *w, const Moved *fixed, int64_t k, int part, const double *force);
double *halfsplit_kept_before(const Follow *s, const double *kept);
void halfsplit_forget_diodes(const Follow *s, Work *w, Moved *moved);
/* Lets go of the room that what devices make of the state takes. */
void halfsplit_empty(const Follow *s, Work *w, Moved *moved);
/* Solves a set with its devices as they stand; leaves ports, forces and senses. 0: diodes found no working point. */
int halfsplit_newton(const Follow *s, Work *w, int64_t f, const uint8_t *booleans);
/* The same with every diode on the tangent of the state, whether that is right or not. */
int halfsplit_on_tangents(const Follow *s, Work *w, int64_t f, const uint8_t *booleans);
/* Is a set just solved on tangents sure to move nothing, as far as thresholds, over-currents and diodes go? */
int halfsplit_within(const Follow *s, const Work *w);
/* Has a diode that is not active left its tangent, for a set just solved? */
int halfsplit_off_tangent(const Follow *s, Work *w, int64_t diode);

#endif
