/* Sums along rows as numpy makes them, by eights, so that the compiled code and the arrays round alike. */
#ifndef HALFSPLIT_SUMS_H
#define HALFSPLIT_SUMS_H

#include <stdint.h>
#include <string.h>

static inline double sum(const double *a, int64_t n) {
    if (n < 8) {
        double found = 0.0;
        for (int64_t i = 0; i < n; i++)
            found += a[i];
        return found;
    }
    if (n <= 128) {
        double r[8];
        int64_t i = 8;
        memcpy(r, a, sizeof r);
        for (; i < n - n % 8; i += 8)
            for (int k = 0; k < 8; k++)
                r[k] += a[i + k];
        double found = ((r[0] + r[1]) + (r[2] + r[3])) + ((r[4] + r[5]) + (r[6] + r[7]));
        for (; i < n; i++)
            found += a[i];
        return found;
    }
    int64_t half = n / 2;
    half -= half % 8;
    return sum(a, half) + sum(a + half, n - half);
}

#endif
