/* Repairing down the block-merged order; halfsplit.diagnosis.compiled_order calls it with the same layout. */
#ifndef HALFSPLIT_BASE_ORDER_H
#define HALFSPLIT_BASE_ORDER_H

#include <stdint.h>

/* Beliefs, one a row: see repair_problem.base_minutes. Items are access steps and then repairs. */
typedef struct {
    int64_t rows, steps, repairs;
    const int64_t *parent;           /* [items], -1 for none */
    double *length, *chance;         /* [rows][items]; worked on */
    const uint8_t *open, *left;      /* [rows][steps], [rows][repairs] */
    int64_t can_hand_over;
    double hand_over, free_minutes;
} Orders;

/* The minutes and the first thing done of each row, ``minutes`` and ``first`` [rows]; -1: no memory. */
int64_t halfsplit_base_order(const Orders *s, double *minutes, int64_t *first);

#endif
