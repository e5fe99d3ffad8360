/* What checks tell about repair groups: masses of outcome and group, and the information in them.
 *
 * The same sums in the same order as in halfsplit.diagnosis.telling, so that what is equal there is equal here: a check
 * must not come before another one by rounding. Sums along rows go as numpy's do, by eights.
 */
#include "telling.h"

#include "sums.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double ROUNDING = 1e-12;

static double entr(double x) {
    if (x > 0.0)
        return -x * log(x);
    return x == 0.0 ? 0.0 : isnan(x) ? x : -INFINITY;
}

/* What is left of a mass when some is taken, rounding aside. */
static inline double left_of(double usual, double taken) {
    double left = usual - taken;
    return left > ROUNDING ? left : 0.0;
}

/* Masses of one check: of each class and group, and what is taken from each group's usual class. */
typedef struct {
    double *moved;           /* [CLASSES][groups] */
    double *taken;           /* [groups] */
    int64_t kind[CLASSES];   /* numbers of the classes seen, rising */
    int classes;
} Masses;

typedef struct {
    int64_t kind, group;
    double mass;
} Moved;

static void gathered(const Classes *s, const Moved *from, const Moved *to, Masses *m) {
    int64_t groups = s->groups, number[CLASSES];
    for (int k = 0; k < CLASSES; k++)
        number[k] = -1;
    memset(m->moved, 0, sizeof(double) * (size_t)(CLASSES * groups));
    memset(m->taken, 0, sizeof(double) * (size_t)groups);
    for (; from < to; from++) {
        int64_t class = s->class_of[from->kind];
        number[class] = from->kind;
        m->moved[class * groups + from->group] += from->mass;
        m->taken[from->group] += from->mass;
    }
    m->classes = 0;
    for (int k = 0; k < CLASSES; k++) {
        if (number[k] < 0)
            continue;
        int at = m->classes++;
        for (; at > 0 && m->kind[at - 1] > number[k]; at--)
            m->kind[at] = m->kind[at - 1];
        m->kind[at] = number[k];
    }
}

/* The pairs of the rows, check by check, each check's in the order of the rows; start is [checks + 1]. */
static Moved *by_check(const Classes *s, int64_t *start) {
    memset(start, 0, sizeof(int64_t) * (size_t)(s->checks + 1));
    for (int64_t i = 0; i < s->rows; i++) {
        const int64_t *check = s->check + s->first[s->row[i]];
        for (int64_t j = 0; j < s->count[s->row[i]]; j++)
            start[check[j] + 1]++;
    }
    for (int64_t c = 0; c < s->checks; c++)
        start[c + 1] += start[c];
    Moved *pairs = malloc(sizeof(Moved) * (size_t)(start[s->checks] + 1));
    int64_t *next = malloc(sizeof(int64_t) * (size_t)(s->checks + 1));
    if (!pairs || !next) {
        free(pairs), free(next);
        return NULL;
    }
    memcpy(next, start, sizeof(int64_t) * (size_t)(s->checks + 1));
    for (int64_t i = 0; i < s->rows; i++) {
        int64_t first = s->first[s->row[i]];
        for (int64_t j = first; j < first + s->count[s->row[i]]; j++)
            pairs[next[s->check[j]]++] = (Moved){s->kind[j], s->group[i], s->mass[i]};
    }
    free(next);
    return pairs;
}

/* What is the same for all checks with so many outcomes that can occur. */
typedef struct {
    int known;
    double share, of_added_sum, of_usual_sum, of_asleep_sum;
    double *added, *of_added, *of_usual; /* [groups] each */
} Outcomes;

static const Outcomes *of_outcomes(const Classes *s, Outcomes *found, double *place, double *work, int n) {
    Outcomes *o = found + n;
    if (o->known)
        return o;
    int64_t groups = s->groups;
    double right = 1.0 - s->misread;
    o->known = 1;
    o->share = s->misread / (n ? n : 1);
    o->added = place + 3 * n * groups, o->of_added = o->added + groups, o->of_usual = o->of_added + groups;
    for (int64_t g = 0; g < groups; g++) {
        double whole = s->asleep ? s->usual[g] + s->asleep[g] : s->usual[g];
        o->added[g] = o->share * whole;
        o->of_added[g] = entr(o->added[g]);
        o->of_usual[g] = entr(right * s->usual[g] + o->added[g]);
        work[g] = s->asleep ? entr(right * s->asleep[g] + o->added[g]) : 0.0;
    }
    o->of_added_sum = sum(o->of_added, groups);
    o->of_usual_sum = sum(o->of_usual, groups);
    o->of_asleep_sum = sum(work, groups);
    return o;
}

int64_t halfsplit_classes(const Classes *s, double prior_entropy, int64_t *at, double *information) {
    int64_t groups = s->groups, here = 0;
    double right = 1.0 - s->misread;
    int64_t *start = malloc(sizeof(int64_t) * (size_t)(s->checks + 1));
    Moved *pairs = start ? by_check(s, start) : NULL;
    double *room = calloc((size_t)((CLASSES + 3 + 3 * (CLASSES + 2)) * groups + 1), sizeof(double));
    if (!start || !pairs || !room) {
        free(start), free(pairs), free(room);
        return -1;
    }
    Masses m = {.moved = room, .taken = room + CLASSES * groups};
    double *usual = m.taken + groups, *work = usual + groups, *place = work + groups;
    Outcomes known[CLASSES + 2];
    memset(known, 0, sizeof known);
    for (int64_t g = 0; g < groups; g++)
        work[g] = s->asleep ? s->usual[g] + s->asleep[g] : s->usual[g];
    double whole = sum(work, groups), asleep = s->asleep ? sum(s->asleep, groups) : 0.0;
    int sleeps = asleep > 0.0;
    for (int64_t c = 0; c < s->checks; c++) {
        if (start[c] == start[c + 1])
            continue;
        gathered(s, pairs + start[c], pairs + start[c + 1], &m);
        for (int64_t g = 0; g < groups; g++) {
            usual[g] = left_of(s->usual[g], m.taken[g]);
        }
        double of_usual = sum(usual, groups), of_kind[CLASSES];
        int occurs = of_usual > 0.0, kinds = 0;
        for (int k = 0; k < m.classes; k++) {
            const double *moved = m.moved + s->class_of[m.kind[k]] * groups;
            of_kind[k] = 0.0;
            for (int64_t g = 0; g < groups; g++)
                of_kind[k] += moved[g];
            kinds += of_kind[k] != 0.0;
        }
        const Outcomes *o = of_outcomes(s, known, place, work, kinds + occurs + sleeps);
        /* Outcome and group together: first as if no mass were moved, then what moved. */
        double change = 0.0, both = kinds * o->of_added_sum;
        for (int k = 0; k < m.classes; k++) {
            const double *moved = m.moved + s->class_of[m.kind[k]] * groups;
            for (int64_t g = 0; g < groups; g++)
                if (moved[g] != 0.0)
                    change += entr(right * moved[g] + o->added[g]) - o->of_added[g];
        }
        both += change;
        if (occurs) {
            change = 0.0;
            for (int64_t g = 0; g < groups; g++)
                if (m.taken[g] != 0.0)
                    change += entr(right * usual[g] + o->added[g]) - o->of_usual[g];
            both += o->of_usual_sum + change;
        }
        /* The outcome alone. */
        double more = whole * o->share, alone = 0.0;
        for (int k = 0; k < m.classes; k++)
            if (of_kind[k] != 0.0)
                alone += entr(right * of_kind[k] + more);
        if (occurs)
            alone += entr(right * of_usual + more);
        if (sleeps) {
            both += o->of_asleep_sum;
            alone += entr(right * asleep + more);
        }
        double told = prior_entropy + alone - both;
        at[here] = c;
        information[here++] = told > 0.0 ? told : 0.0;
    }
    free(start), free(pairs), free(room);
    return here;
}

void halfsplit_class_masses(const Classes *s, const int64_t *where, double *joint) {
    int64_t groups = s->groups, asked = 0;
    for (int64_t c = 0; c < s->checks; c++)
        asked += where[c] >= 0;
    for (int64_t i = 0; i < s->rows; i++) {
        int64_t first = s->first[s->row[i]], g = s->group[i];
        for (int64_t j = first; j < first + s->count[s->row[i]]; j++) {
            if (where[s->check[j]] < 0)
                continue;
            double *mine = joint + where[s->check[j]] * CLASSES * groups;
            mine[s->class_of[s->kind[j]] * groups + g] += s->mass[i];
            mine[HEALTHY * groups + g] += s->mass[i];
        }
    }
    for (int64_t c = 0; c < asked; c++) {
        double *usual = joint + (c * CLASSES + HEALTHY) * groups;
        for (int64_t g = 0; g < groups; g++) {
            usual[g] = left_of(s->usual[g], usual[g]);
        }
        if (s->asleep)
            memcpy(joint + (c * CLASSES + CLASSES - 1) * groups, s->asleep, sizeof(double) * (size_t)groups);
    }
}

int64_t halfsplit_plain(int64_t checks, int64_t outcomes, int64_t groups, const double *joint, double misread,
                        double prior_entropy, double *information) {
    int64_t size = outcomes * groups;
    double *room = malloc(sizeof(double) * (size_t)(size + groups + 2 * outcomes + 1));
    if (!room)
        return -1;
    double *terms = room, *total = terms + size, *occupied = total + groups, *alone = occupied + outcomes;
    for (int64_t c = 0; c < checks; c++, joint += size) {
        double occur = 0.0;
        if (misread != 0.0) {
            memset(total, 0, sizeof(double) * (size_t)groups);
            for (int64_t k = 0; k < outcomes; k++) {
                for (int64_t g = 0; g < groups; g++)
                    total[g] += joint[k * groups + g];
                occupied[k] = sum(joint + k * groups, groups) > 0.0;
                occur += occupied[k];
            }
            occur = occur > 1.0 ? occur : 1.0;
        }
        for (int64_t k = 0; k < outcomes; k++) {
            const double *mine = joint + k * groups;
            double *read = terms + k * groups;
            if (misread != 0.0) {
                double share = occupied[k] / occur;
                for (int64_t g = 0; g < groups; g++)
                    read[g] = (1.0 - misread) * mine[g] + misread * total[g] * share;
            } else
                memcpy(read, mine, sizeof(double) * (size_t)groups);
            alone[k] = entr(sum(read, groups));
            for (int64_t g = 0; g < groups; g++)
                read[g] = entr(read[g]);
        }
        double told = prior_entropy + sum(alone, outcomes) - sum(terms, size);
        information[c] = told > 0.0 ? told : 0.0;
    }
    free(room);
    return checks;
}

void halfsplit_weighed(int64_t rows, int64_t things, const int64_t *group, const double *weight, const int64_t *line,
                       const double *values, double *sums) {
    for (int64_t i = 0; i < rows; i++) {
        if (weight[i] == 0.0)
            continue;
        const double *mine = values + line[i] * things;
        double *to = sums + group[i] * things;
        for (int64_t t = 0; t < things; t++)
            to[t] += weight[i] * mine[t];
    }
}

int64_t halfsplit_least_apart(int64_t asked, int64_t made, int64_t size, const double *joint, const double *taken,
                              double *least) {
    double *terms = malloc(sizeof(double) * (size_t)(size + 1));
    if (!terms)
        return -1;
    for (int64_t a = 0; a < asked; a++, joint += size) {
        least[a] = INFINITY;
        for (int64_t m = 0; m < made; m++) {
            for (int64_t i = 0; i < size; i++)
                terms[i] = fabs(joint[i] - taken[m * size + i]);
            double apart = 0.5 * sum(terms, size);
            if (apart < least[a])
                least[a] = apart;
        }
    }
    free(terms);
    return asked;
}

int64_t halfsplit_places(const Sights *s, int64_t *at, double *joint) {
    int64_t groups = s->groups, here = 0;
    double *room = calloc((size_t)(2 * s->faults + groups + 1), sizeof(double));
    int64_t *group = calloc((size_t)(s->faults + 1), sizeof(int64_t));
    if (!room || !group) {
        free(room), free(group);
        return -1;
    }
    double *mass = room, *sleeping = mass + s->faults, *more = sleeping + s->faults;
    for (int64_t i = 0; i < s->rows; i++) {
        int64_t fault = s->fault_of[s->row[i]];
        mass[fault] += s->awake[i] + s->asleep[i];
        sleeping[fault] += s->asleep[i];
        group[fault] = s->group[i];
    }
    for (int64_t j = 0; j < s->pairs;) {
        int64_t place = s->place[j];
        double false_find = s->false_find[place];
        int found = 0;
        for (; j < s->pairs && s->place[j] == place; j++) {
            int64_t fault = s->fault[j];
            if (!(mass[fault] > s->least))
                continue;
            if (!found)
                memset(more, 0, sizeof(double) * (size_t)groups);
            found = 1;
            double chance = s->chance[j];
            if (s->moves[place]) {
                double share = 2.0 * sleeping[fault] / mass[fault];
                chance = chance * (0.25 + 0.75 * (share < 1.0 ? share : 1.0));
            }
            more[group[fault]] += mass[fault] * (chance - false_find);
        }
        if (!found)
            continue;
        double *missed = joint + 2 * here * groups, *seen = missed + groups;
        for (int64_t g = 0; g < groups; g++) {
            seen[g] = false_find * s->prior[g] + more[g];
            missed[g] = s->prior[g] - seen[g];
        }
        at[here++] = place;
    }
    free(room), free(group);
    return here;
}
