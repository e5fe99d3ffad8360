/* A circuit eliminated node by node; see elimination.c. */
#ifndef HALFSPLIT_ELIMINATION_H
#define HALFSPLIT_ELIMINATION_H

#include "kernel.h"

#define LANES 8 /* columns worked on together */

struct Pattern {
    int n, m, reference;       /* nodes, elements, the reference's number */
    int *place;                /* place of each node in the order; the reference is last */
    int *node;                 /* node at each place */
    int *start;                /* where each place's neighbours begin, [n + 1] */
    int *neighbour;            /* later places, rising */
    int *pair_start;           /* where each place's pairs of neighbours begin */
    int *pair_slot;            /* slot of the branch between the two of each pair */
    int *slot;                 /* slot of each element; -1 where both ends are one node */
    int *first, *second;       /* places of each element's ends, earlier and later */
    int *sign;                 /* +1 where the element runs from the earlier to the later place */
    int slots;
};

typedef struct {
    const Pattern *p;
    double *c, *w;             /* conductances as reduced and shares c / s, of each slot */
    double *leak, *w_leak;     /* the same of each place's leak */
    double *inverse;           /* 1 / s of each place */
    double *v, *b, *e_leak;    /* voltages, injected currents, sources in the leaks: [places][LANES] */
    double *e, *d;             /* sources and drops: [slots][LANES] */
    char *touched;             /* places with a source or an injected current */
} Reduced;

/* Reduces the circuit, filling ``c``, ``w``, ``leak``, ``w_leak`` and ``inverse``; 0: an element has no resistance. */
int halfsplit_reduce(Reduced *r, const double *rho, const double *sigma, double leak);

#endif
