/* What forces do at the pairs of unknowns that are looked at; see looking.c. */
#ifndef HALFSPLIT_LOOKING_H
#define HALFSPLIT_LOOKING_H

#include "elimination.h"

typedef struct Looker Looker;

/* Reduces the circuit and finds what every look needs of it; NULL: it cannot be done in this way, or no memory. */
Looker *halfsplit_looker_new(const Pattern *p, const double *rho, const double *sigma, double leak, int64_t looks,
                             const int64_t *plus, const int64_t *minus);
void halfsplit_looker_free(Looker *l);
/* Unit forces at ``count`` pairs of unknowns, LANES at most: ``rows`` [count][looks] becomes what each does at the
 * pairs looked at, ``more`` [wanted][stride] what it does at further pairs. */
void halfsplit_look(Looker *l, int count, const int64_t *in_plus, const int64_t *in_minus, double *rows, int wanted,
                   const int64_t *plus, const int64_t *minus, double *more, int stride);

#endif
