/* Laws of diodes on a tangent, and what turns the law an element has in the state into another; see diodes.py. */
#ifndef HALFSPLIT_LAWS_H
#define HALFSPLIT_LAWS_H

#include <math.h>

#include "ports.h"

#define LARGEST_EXPONENT 80.0
#define CONDUCTING_SIEMENS 1e-3

static inline double smaller(double a, double b) { return a < b ? a : b; }
static inline double larger(double a, double b) { return a > b ? a : b; }

static inline void tangent(double v, double saturation, double slope, double *g, double *c) {
    double exponent = smaller(v / slope, LARGEST_EXPONENT), above = expm1(exponent);
    *g = saturation / slope * (above + 1.0);
    *c = saturation * above - *g * v;
}

static inline double limited(double v, double old, double saturation, double slope) {
    double growth = 1.0 + (v - old) / slope;
    if (v - old > 2.0 * slope && v > slope * log(slope / (sqrt(2.0) * saturation)))
        return old > 0.0 ? old + slope * log(larger(growth, 1e-300)) : slope * log(larger(v / slope, 1e-300));
    if (old > 4.0 * slope && v < old)
        return slope * log1p(larger(exp(smaller(old / slope, LARGEST_EXPONENT)) * growth - 1.0, -0.99));
    return v;
}

typedef struct {
    double rho, sigma, tau;
} Law;

static inline Law diode_law(double g, double c, double series) {
    if (isinf(series))
        return (Law){0.0, 1.0, 0.0};
    if (g >= CONDUCTING_SIEMENS)
        return (Law){1.0, 1.0 / g + series, c / g};
    return (Law){g, 1.0 + g * series, c};
}

/* alpha, beta and gamma that turn the law an element has in the state into the wanted one. */
static inline void coefficients(const Follow *s, int64_t r, Law wanted, Port *port) {
    double rho = s->r_rho[r], sigma = s->r_sigma[r], tau = s->r_tau[r];
    if (s->with_current[s->r_element[r]]) {
        port->alpha = wanted.rho;
        port->beta = wanted.rho * sigma - wanted.sigma;
        port->gamma = wanted.tau - wanted.rho * tau;
    } else {
        port->alpha = wanted.sigma;
        port->beta = wanted.rho - wanted.sigma * rho;
        port->gamma = wanted.tau - wanted.sigma * tau;
    }
}

#endif
