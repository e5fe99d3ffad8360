/* Voltage readings and pairs of faults weighed; halfsplit.diagnosis.compiled_weighing calls it with the same layout. */
#ifndef HALFSPLIT_WEIGHING_H
#define HALFSPLIT_WEIGHING_H

#include <stdint.h>

/* Lines with a prediction for each reading: see readings.Block. */
typedef struct {
    int64_t lines, readings;
    const double *value;            /* [readings] */
    const double *predicted, *along; /* [lines][readings] */
    const int64_t *choice;          /* [lines], which precision each has; nothing: all have the first */
    const double *precision;        /* [choices][readings][readings] */
    const double *log_determinant;  /* [choices] */
    const double *stray;            /* [readings] */
    double sure, wide_share, wide;
} Weighing;

/* Log density of all readings with one wrong at most, ``found`` [lines]; -1: no memory. */
int64_t halfsplit_weighing(const Weighing *s, double *found);

/* Every two classes, each awake or not: see pair_voltages.Together. */
typedef struct {
    int64_t pairs, classes, readings, all;
    const int64_t *one, *two;              /* [pairs] */
    const uint8_t *first, *second;         /* [classes][all] */
    const double *value, *along, *strays;  /* [2 classes][all] */
    const int64_t *kind;                   /* [classes] */
    const int64_t *at;                     /* [readings] of all */
} Both;

/* What both show together, ``value`` and ``along`` [pairs][readings], and whose scatter it has, ``kind``. */
void halfsplit_both(const Both *s, double *value, double *along, int64_t *kind);

/* Lines of ``width`` numbers each that are alike: the number of each, ``number`` [lines], in the order in which they are
 * met, and the first of each, ``first`` [lines]; how many there are, -1: no memory. */
int64_t halfsplit_alike(int64_t lines, int64_t width, const int64_t *line, int64_t *number, int64_t *first);

/* One moment of several observations, for every two classes: see pairs._Moment. ``on`` ``off`` ``far`` ``near``
 * [observations][size]; ``both`` ``first`` ``neither`` [size][size]. Gives the least of all. */
double halfsplit_moment(int64_t observations, int64_t size, double least, const double *on, const double *off,
                        const double *far, const double *near, double *both, double *first, double *neither);

/* Takes such a moment: see pairs._Seen. ``full`` ``once`` ``times`` [2][size][size], ``product`` [size][size] or nothing
 * where it does not count for steady ones. */
void halfsplit_moment_taken(int64_t size, const double *both, const double *first, const double *neither,
                            const double *chance, int64_t guess, double rounding, double *product, double *full,
                            double *once, double *times);

/* For each class the weight of all others beside it, ``found`` [2][size]: see pairs.beside. ``shared``
 * [2][2][size][size], ``own`` [2][size]; -1: no memory. */
int64_t halfsplit_beside(int64_t size, const double *shared, const double *own, double *found);

#endif
