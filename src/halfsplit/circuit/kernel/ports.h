/* Port systems of one change set at a time, and Newton's method for its diodes; see ports.c. */
#ifndef HALFSPLIT_PORTS_H
#define HALFSPLIT_PORTS_H

#include <stddef.h>

#include "kernel.h"

/* A place of change: force acts on ``in``, the place answers with ``out``; places in a row of x are those kept. */
typedef struct {
    int64_t in_plus, in_minus, out_plus, out_minus, element;
    const double *x_plus, *x_minus; /* x_minus is NULL where the reference is meant */
    int64_t at_plus, at_minus;
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
} Moved;

typedef struct {
    Moved *moved;          /* [MOVED_KEPT] */
    Moved *fixed;          /* the one in use */
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
/* The row for where a port's force acts in a table over unknowns, and the one against it, or NULL. */
void halfsplit_rows(const Follow *s, const Port *port, const double *table, int64_t width, const double **plus,
                    const double **minus);
/* base - sum of forces times what they do to pairs of unknowns, those in ``from`` to ``to``. */
void halfsplit_see(const Follow *s, const Work *w, const double *base, const double *table, int64_t width, int64_t from,
                   int64_t to, double *into);
void halfsplit_forces_by_sender(const Follow *s, Work *w);
/* Solves a set with its devices as they stand; leaves ports, forces and senses. 0: the diodes found no working point. */
int halfsplit_newton(const Follow *s, Work *w, int64_t f, const uint8_t *booleans);
/* The same with every diode on the tangent of the state, whether that is right or not. */
int halfsplit_on_tangents(const Follow *s, Work *w, int64_t f, const uint8_t *booleans);
/* Has a diode that is not active left its tangent, for a set just solved? */
int halfsplit_off_tangent(const Follow *s, Work *w, int64_t f, int64_t diode);

#endif
