/* Voltage readings weighed for many lines, and what was seen weighed for every two classes of faults.
 *
 * The same steps as in halfsplit.diagnosis.readings, pair_voltages and pairs. What is multiplied and compared number by
 * number is the same to the last digit; sums of products are made here in the order of the readings, by the linear
 * algebra library there in an order of its own, so that logarithms agree to about 1e-13 of their size.
 */
#include "weighing.h"

#include "sums.h"

#include <math.h>
#include <stdlib.h>

static const double LOG_2_PI = 1.8378770664093453;

static double log_of_sum(double a, double b) {
    double most = a > b ? a : b, less = a > b ? b : a;
    return most == -INFINITY ? most : most + log1p(exp(less - most));
}

/* One line's products with the precision matrix. */
typedef struct {
    const double *weighed, *towards, *diagonal;
    double along_along, off_along, off_off, log_determinant;
} Parts;

/* Log density with errors ``scale`` times as wide. */
static double density(const Weighing *s, const Parts *p, double scale, double *own, double *lean) {
    int64_t n = s->readings;
    double square = scale * scale, stretch = 1.0 + p->along_along / square, shared = p->off_along / square;
    double distance = p->off_off / square - shared * shared / stretch;
    double whole = -0.5 * (distance + log(stretch) + p->log_determinant + 2.0 * (double)n * log(scale)
                           + (double)n * LOG_2_PI);
    double largest = -INFINITY, odds = 0.0;
    for (int64_t k = 0; k < n; k++) {
        double mine = (p->diagonal[k] - p->towards[k] * p->towards[k] / (square * stretch)) / square;
        own[k] = mine > 1e-12 ? mine : 1e-12;
        double l = (p->weighed[k] - p->towards[k] * (shared / stretch)) / square;
        lean[k] = l * l / own[k] * 0.5;
        largest = lean[k] > largest ? lean[k] : largest;
    }
    for (int64_t k = 0; k < n; k++)
        odds += (lean[k] == largest ? 1.0 : exp(lean[k] - largest)) / sqrt(own[k]) * s->stray[k];
    return whole + s->sure + log_of_sum(0.0, largest + log(odds));
}

int64_t halfsplit_weighing(const Weighing *s, double *found) {
    int64_t n = s->readings;
    double *room = malloc(sizeof(double) * (size_t)(6 * n + 1));
    if (!room)
        return -1;
    double *off = room, *weighed = off + n, *towards = weighed + n, *diagonal = towards + n, *own = diagonal + n;
    double *lean = own + n;
    double narrow = log1p(-s->wide_share), wide = log(s->wide_share);
    for (int64_t i = 0; i < s->lines; i++) {
        int64_t choice = s->choice ? s->choice[i] : 0;
        const double *p = s->precision + choice * n * n, *along = s->along + i * n;
        memset(weighed, 0, sizeof(double) * (size_t)(2 * n));
        for (int64_t j = 0; j < n; j++) {
            const double *row = p + j * n;
            double o = off[j] = s->value[j] - s->predicted[i * n + j], a = along[j];
            diagonal[j] = row[j];
            for (int64_t k = 0; k < n; k++) {
                weighed[k] += o * row[k];
                towards[k] += a * row[k];
            }
        }
        Parts parts = {weighed, towards, diagonal, 0.0, 0.0, 0.0, s->log_determinant[choice]};
        for (int64_t j = 0; j < n; j++) {
            parts.along_along += along[j] * towards[j];
            parts.off_along += off[j] * towards[j];
            parts.off_off += off[j] * weighed[j];
        }
        found[i] = log_of_sum(narrow + density(s, &parts, 1.0, own, lean),
                              wide + density(s, &parts, s->wide, own, lean));
    }
    free(room);
    return s->lines;
}

void halfsplit_both(const Both *s, double *value, double *along, int64_t *kind) {
    for (int64_t p = 0; p < s->pairs; p++) {
        int64_t one = s->one[p], two = s->two[p];
        for (int64_t r = 0; r < s->readings; r++, value++, along++, kind++) {
            int64_t at = s->at[r];
            int awake = s->first[one * s->all + at], other_awake = s->second[two * s->all + at];
            int64_t line = (awake ? one : one + s->classes) * s->all + at;
            int64_t other = (other_awake ? two : two + s->classes) * s->all + at;
            int64_t mine = awake ? s->kind[one] : 0, theirs = other_awake ? s->kind[two] : 0;
            double far = s->strays[line] - s->strays[other];
            /* The one that strays further leads; where both stray alike it does not matter who comes first. */
            double leads = far > 0.0 ? 1.0 : far < 0.0 ? 0.0 : 0.5, rest = 1.0 - leads;
            *value = leads * s->value[line] + rest * s->value[other];
            *along = leads * s->along[line] + rest * s->along[other];
            *kind = far > 0.0 ? mine : far < 0.0 ? theirs : mine > theirs ? mine : theirs;
        }
    }
}

int64_t halfsplit_alike(int64_t lines, int64_t width, const int64_t *line, int64_t *number, int64_t *first) {
    uint64_t size = 16;
    while (size < 2 * (uint64_t)lines)
        size *= 2;
    int64_t *place = malloc(sizeof(int64_t) * size), found = 0;
    if (!place)
        return -1;
    memset(place, 0xff, sizeof(int64_t) * size);
    for (int64_t i = 0; i < lines; i++) {
        const int64_t *mine = line + i * width;
        uint64_t name = 0x9e3779b97f4a7c15u;
        for (int64_t k = 0; k < width; k++) {
            name = (name ^ (uint64_t)mine[k]) * 0xff51afd7ed558ccdu;
            name ^= name >> 32;
        }
        uint64_t at = name & (size - 1);
        while (place[at] >= 0 && memcmp(line + first[place[at]] * width, mine, sizeof(int64_t) * (size_t)width))
            at = (at + 1) & (size - 1);
        if (place[at] < 0) {
            first[found] = i;
            place[at] = found++;
        }
        number[i] = place[at];
    }
    free(place);
    return found;
}

static inline double further(double one, double far_one, double two, double far_two) {
    double share = far_one > far_two ? 1.0 : far_one < far_two ? 0.0 : 0.5;
    return share * one + (1.0 - share) * two;
}

double halfsplit_moment(int64_t observations, int64_t size, double least, const double *on, const double *off,
                        const double *far, const double *near, double *both, double *first, double *neither) {
    double found = INFINITY;
    for (int64_t i = 0; i < size; i++) {
        double *b = both + i * size, *f = first + i * size, *n = neither + i * size;
        for (int64_t m = 0; m < observations; m++) {
            const double *awake = on + m * size, *asleep = off + m * size, *away = far + m * size, *by = near + m * size;
            double mine = awake[i], mine_off = asleep[i], mine_far = away[i], mine_near = by[i];
            for (int64_t j = 0; j < size; j++) {
                double bj = further(mine, mine_far, awake[j], away[j]);
                double fj = further(mine, mine_far, asleep[j], by[j]); /* the second one asleep */
                double nj = further(mine_off, mine_near, asleep[j], by[j]);
                b[j] = m ? b[j] * bj : bj;
                f[j] = m ? f[j] * fj : fj;
                n[j] = m ? n[j] * nj : nj;
            }
        }
        for (int64_t j = 0; j < size; j++) {
            b[j] = b[j] > least ? b[j] : least;
            f[j] = f[j] > least ? f[j] : least;
            n[j] = n[j] > least ? n[j] : least;
            double less = b[j] < f[j] ? b[j] : f[j];
            less = less < n[j] ? less : n[j];
            found = less < found ? less : found;
        }
    }
    return found;
}

void halfsplit_moment_taken(int64_t size, const double *both, const double *first, const double *neither,
                            const double *chance, int64_t guess, double rounding, double *product, double *full,
                            double *once, double *times) {
    int64_t square = size * size;
    for (int64_t i = 0; product && i < square; i++)
        product[i] *= both[i];
    for (int64_t i = 0; i < size; i++) {
        double mine = chance[i], rest = 1.0 - mine;
        for (int64_t j = 0; j < size; j++) {
            int64_t at = i * size + j;
            double other = chance[j], second = first[j * size + i];
            double value[2] = {
                mine * both[at] + rest * second,
                mine * (other * both[at] + (1.0 - other) * first[at])
                    + rest * (other * second + (1.0 - other) * neither[at]),
            };
            double asleep[2] = {second, neither[at]};
            for (int k = 0; k < 2; k++) {
                int64_t here = k * square + at;
                if (!guess) {
                    full[here] *= value[k];
                    continue;
                }
                double more = value[k] / asleep[k];
                full[here] *= asleep[k];
                full[here] *= more > 1.0 ? more : 1.0;
                times[here] += more < 1.0 - rounding;
                once[here] *= more < 1.0 ? more : 1.0;
            }
        }
    }
}

int64_t halfsplit_beside(int64_t size, const double *shared, const double *own, double *found) {
    double *weight = malloc(sizeof(double) * (size_t)(2 * size + 1));
    if (!weight)
        return -1;
    for (int64_t mine = 0; mine < 2; mine++) {
        for (int64_t i = 0; i < size; i++) {
            double most = -INFINITY;
            for (int64_t theirs = 0; theirs < 2; theirs++) {
                const double *row = shared + ((mine * 2 + theirs) * size + i) * size, *other = own + theirs * size;
                double *to = weight + theirs * size;
                for (int64_t j = 0; j < size; j++)
                    to[j] = row[j] + other[j];
                to[i] = -INFINITY;
                for (int64_t j = 0; j < size; j++)
                    most = to[j] > most ? to[j] : most;
            }
            if (most == -INFINITY) {
                found[mine * size + i] = most;
                continue;
            }
            for (int64_t j = 0; j < 2 * size; j++)
                weight[j] = exp(weight[j] - most);
            found[mine * size + i] = most + log(sum(weight, 2 * size));
        }
    }
    free(weight);
    return size;
}
