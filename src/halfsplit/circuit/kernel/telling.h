/* What checks tell; halfsplit.diagnosis.compiled calls it and must have the same layout. */
#ifndef HALFSPLIT_TELLING_H
#define HALFSPLIT_TELLING_H

#include <stdint.h>

#define CLASSES 16
#define HEALTHY 7

/* Checks sorted into classes, and the rows awake: see telling.Sorted and telling.ByClass. */
typedef struct {
    int64_t rows, checks, groups;
    const int64_t *row, *group;   /* [rows], in order */
    const double *mass;           /* [rows] */
    const int64_t *first, *count; /* of each row of the machine: where its pairs are kept, and how many */
    const int64_t *check, *kind;  /* [pairs] */
    const int64_t *class_of;      /* [kinds] */
    const double *usual;          /* [groups] */
    const double *asleep;         /* [groups], or nothing */
    double misread;
} Classes;

/* The checks that a row moves, ``at`` [checks], with the information of each in nats; how many, -1: no memory. */
int64_t halfsplit_classes(const Classes *s, double prior_entropy, int64_t *at, double *information);

/* Joint masses [asked][CLASSES][groups], zeros before; ``where`` [checks] says which of them each check is, -1: none. */
void halfsplit_class_masses(const Classes *s, const int64_t *where, double *joint);

/* The information [checks] in ``joint`` [checks][outcomes][groups]; -1: no memory. */
int64_t halfsplit_plain(int64_t checks, int64_t outcomes, int64_t groups, const double *joint, double misread,
                        double prior_entropy, double *information);

/* Sums [groups][things], zeros before, of ``values`` [lines][things] by the group of each row. */
void halfsplit_weighed(int64_t rows, int64_t things, const int64_t *group, const double *weight, const int64_t *line,
                       const double *values, double *sums);

/* For each of ``joint`` [asked][size] the least share of mass that lies elsewhere in one of ``taken`` [made][size],
 * ``least`` [asked]; -1: no memory. */
int64_t halfsplit_least_apart(int64_t asked, int64_t made, int64_t size, const double *joint, const double *taken,
                              double *least);

/* Looks at places and moves of them, and the live hypotheses: see information.Places. */
typedef struct {
    int64_t rows, faults, groups, pairs;
    const int64_t *row, *group;      /* [rows] */
    const double *awake, *asleep;    /* [rows] */
    const int64_t *fault_of;         /* [lines] */
    const int64_t *place, *fault;    /* [pairs], by place */
    const double *chance;            /* [pairs] */
    const uint8_t *moves;            /* [places] */
    const double *false_find;        /* [places] */
    const double *prior;             /* [groups] */
    double least;
} Sights;

/* The places where a live fault may be seen, ``at`` [places], with masses [places][2][groups] of nothing seen and of
 * something; how many, -1: no memory. */
int64_t halfsplit_places(const Sights *s, int64_t *at, double *joint);

#endif
