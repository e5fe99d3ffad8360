/* Small dense systems. */
#include "dense.h"

#include <math.h>

#include "laws.h"

/* LU with rows scaled to size one and partial pivoting; 0: singular. */
WIDE int halfsplit_factorise(double *a, int n, int *pivot, double *scale) {
    for (int i = 0; i < n; i++) {
        double most = 1e-300;
        for (int j = 0; j < n; j++)
            most = larger(most, fabs(a[i * n + j]));
        scale[i] = 1.0 / most;
        for (int j = 0; j < n; j++)
            a[i * n + j] /= most;
    }
    for (int k = 0; k < n; k++) {
        int best = k;
        for (int i = k + 1; i < n; i++)
            if (fabs(a[i * n + k]) > fabs(a[best * n + k]))
                best = i;
        pivot[k] = best;
        if (!(fabs(a[best * n + k]) > 0.0))
            return 0;
        if (best != k)
            for (int j = 0; j < n; j++) {
                double swap = a[k * n + j];
                a[k * n + j] = a[best * n + j], a[best * n + j] = swap;
            }
        for (int i = k + 1; i < n; i++) {
            double share = a[i * n + k];
            if (share == 0.0)
                continue;
            a[i * n + k] = share /= a[k * n + k];
            for (int j = k + 1; j < n; j++)
                a[i * n + j] -= share * a[k * n + j];
        }
    }
    return 1;
}

/* One side becomes the solution. */
WIDE static void substitute_one(const double *a, int n, const int *pivot, const double *scale, double *side) {
    for (int i = 0; i < n; i++)
        side[i] *= scale[i];
    for (int k = 0; k < n; k++)
        if (pivot[k] != k) {
            double swap = side[k];
            side[k] = side[pivot[k]], side[pivot[k]] = swap;
        }
    for (int i = 1; i < n; i++)
        side[i] -= halfsplit_product(a + i * n, side, i);
    for (int i = n - 1; i >= 0; i--)
        side[i] = (side[i] - halfsplit_product(a + i * n + i + 1, side + i + 1, n - i - 1)) / a[i * n + i];
}

/* Sides [n][count] become solutions. */
WIDE void halfsplit_substitute(const double *a, int n, const int *pivot, const double *scale, double *side, int count) {
    if (count == 1) {
        substitute_one(a, n, pivot, scale, side);
        return;
    }
    for (int i = 0; i < n; i++)
        for (int c = 0; c < count; c++)
            side[i * count + c] *= scale[i];
    for (int k = 0; k < n; k++)
        if (pivot[k] != k)
            for (int c = 0; c < count; c++) {
                double swap = side[k * count + c];
                side[k * count + c] = side[pivot[k] * count + c], side[pivot[k] * count + c] = swap;
            }
    for (int i = 1; i < n; i++)
        for (int k = 0; k < i; k++) {
            double share = a[i * n + k];
            if (share != 0.0)
                for (int c = 0; c < count; c++)
                    side[i * count + c] -= share * side[k * count + c];
        }
    for (int i = n - 1; i >= 0; i--) {
        for (int k = i + 1; k < n; k++) {
            double share = a[i * n + k];
            if (share != 0.0)
                for (int c = 0; c < count; c++)
                    side[i * count + c] -= share * side[k * count + c];
        }
        for (int c = 0; c < count; c++)
            side[i * count + c] /= a[i * n + i];
    }
}

/* The lower half of ``a`` becomes its Cholesky factor; gives the determinant's logarithm, NAN where there is none. */
static double cholesky(double *a, int n) {
    double log_determinant = 0.0;
    for (int j = 0; j < n; j++) {
        double *mine = a + j * n, left = mine[j];
        for (int k = 0; k < j; k++)
            left -= mine[k] * mine[k];
        if (!(left > 0.0))
            return NAN;
        log_determinant += log(left);
        mine[j] = sqrt(left);
        for (int i = j + 1; i < n; i++) {
            double *other = a + i * n, sum = other[j];
            for (int k = 0; k < j; k++)
                sum -= other[k] * mine[k];
            other[j] = sum / mine[j];
        }
    }
    return log_determinant;
}

/* A Cholesky factor becomes its inverse, and that the inverse of the whole. */
static void from_factor(double *a, int n) {
    for (int j = 0; j < n; j++) {
        a[j * n + j] = 1.0 / a[j * n + j];
        for (int i = j + 1; i < n; i++) {
            double sum = 0.0;
            for (int k = j; k < i; k++)
                sum -= a[i * n + k] * a[k * n + j];
            a[i * n + j] = sum / a[i * n + i];
        }
    }
    for (int i = 0; i < n; i++)
        for (int j = 0; j <= i; j++) {
            double sum = 0.0;
            for (int k = i; k < n; k++)
                sum += a[k * n + i] * a[k * n + j];
            a[i * n + j] = a[j * n + i] = sum;
        }
}

int64_t halfsplit_inverted(int64_t count, int64_t n, const double *more, double *matrix, double *log_determinant) {
    for (int64_t at = 0; at < count; at++) {
        double *a = matrix + at * n * n;
        for (int64_t k = 0; k < n; k++)
            a[k * n + k] += more[k];
        log_determinant[at] = cholesky(a, (int)n);
        if (isnan(log_determinant[at]))
            return 0;
        from_factor(a, (int)n);
    }
    return 1;
}
