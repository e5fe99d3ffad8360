/* Small dense systems; see dense.c. */
#ifndef HALFSPLIT_DENSE_H
#define HALFSPLIT_DENSE_H

#include <stdint.h>

/* Sum of products, in four sums side by side. */
static inline __attribute__((always_inline)) double halfsplit_product(const double *a, const double *b, int count) {
    double sum[4] = {0}, rest = 0.0;
    int k = 0;
    for (; k + 4 <= count; k += 4)
        for (int i = 0; i < 4; i++)
            sum[i] += a[k + i] * b[k + i];
    for (; k < count; k++)
        rest += a[k] * b[k];
    return ((sum[0] + sum[2]) + (sum[1] + sum[3])) + rest;
}

/* LU of ``a`` [n][n] in its place, rows scaled to size one, partial pivoting; 0: singular. */
int halfsplit_factorise(double *a, int n, int *pivot, double *scale);
/* Sides [n][count] become solutions. */
void halfsplit_substitute(const double *a, int n, const int *pivot, const double *scale, double *side, int count);
/* Symmetric matrices [count][n][n] with ``more`` [n] added along their diagonals become their inverses, by way of the
 * Cholesky factor; their determinants' logarithms [count]. 0: one of them is not positive definite. */
int64_t halfsplit_inverted(int64_t count, int64_t n, const double *more, double *matrix, double *log_determinant);

#endif
