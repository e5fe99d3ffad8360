/* What unit forces do at the pairs of unknowns that are looked at, by the elimination of elimination.c.
 *
 * A force is carried up along the path from its place to the last node, and on the way back only those places are
 * worked out that something looked at, or the path itself, is made of: a place needs its later neighbours, which all
 * lie on its own path to the last node. Off the paths of the forces there are no sources, which leaves little to do.
 */
#include "looking.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { NOTHING = 0, BETWEEN = 1, NODE = 2, CURRENT = 3, OTHER = 4 };

struct Looker {
    Reduced r;
    const double *rho, *sigma;
    int64_t looks;
    const int64_t *plus, *minus;
    int *kind, *at_plus, *at_minus;  /* of each look; the places of BETWEEN and NODE, the slot of CURRENT */
    double *conducts;                /* of each look that is CURRENT */
    int *of_element, *next;          /* looks at each element's current: the first, and the next of each; -1: none */
    int *parent;                     /* of each place: the next one on its path, -1: none */
    int *plan, planned;              /* places that looks need, last one first */
    char *drops;                     /* of each place: are its drops needed? */
    int *path, count;                /* places on the paths of the present forces */
    int *mark, stamp;
};

void halfsplit_looker_free(Looker *l) {
    if (!l)
        return;
    Reduced *r = &l->r;
    free(r->c), free(r->w), free(r->leak), free(r->w_leak), free(r->inverse), free(r->v), free(r->b), free(r->e_leak);
    free(r->e), free(r->d);
    free(l->kind), free(l->at_plus), free(l->at_minus), free(l->conducts), free(l->of_element), free(l->next);
    free(l->parent), free(l->plan), free(l->drops), free(l->path), free(l->mark);
    free(l);
}

static int slot_place(const Pattern *p, int64_t e) {
    return p->first[e];
}

/* Is an element's current more than nothing whatever happens elsewhere? */
static int flows(const Looker *l, int64_t e) {
    return l->r.p->slot[e] >= 0 && l->rho[e] != 0.0;
}

static void need(Looker *l, char *needed, int64_t unknown) {
    const Pattern *p = l->r.p;
    if (unknown < p->n)
        needed[p->place[unknown]] = 1;
    else if (flows(l, unknown - p->n)) {
        int at = slot_place(p, unknown - p->n);
        needed[at] = 1, l->drops[at] = 1;
    }
}

Looker *halfsplit_looker_new(const Pattern *p, const double *rho, const double *sigma, double leak, int64_t looks,
                             const int64_t *plus, const int64_t *minus) {
    Looker *l = calloc(1, sizeof(Looker));
    size_t slots = (size_t)p->slots + 1, n = (size_t)p->n, many = (size_t)looks + 1, m = (size_t)p->m + 1;
    char *needed = calloc(n, 1);
    if (!l || !needed)
        goto failed;
    Reduced *r = &l->r;
    r->p = p, l->rho = rho, l->sigma = sigma, l->looks = looks, l->plus = plus, l->minus = minus;
    r->c = malloc(sizeof(double) * slots), r->w = malloc(sizeof(double) * slots);
    r->leak = malloc(sizeof(double) * n), r->w_leak = malloc(sizeof(double) * n);
    r->inverse = malloc(sizeof(double) * n);
    r->v = calloc(n * LANES, sizeof(double)), r->b = calloc(n * LANES, sizeof(double));
    r->e_leak = calloc(n * LANES, sizeof(double));
    r->e = calloc(slots * LANES, sizeof(double)), r->d = calloc(slots * LANES, sizeof(double));
    l->kind = malloc(sizeof(int) * many);
    l->at_plus = malloc(sizeof(int) * many), l->at_minus = malloc(sizeof(int) * many);
    l->conducts = malloc(sizeof(double) * many);
    l->of_element = malloc(sizeof(int) * m), l->next = malloc(sizeof(int) * many);
    l->parent = malloc(sizeof(int) * n), l->plan = malloc(sizeof(int) * n), l->drops = calloc(n, 1);
    l->path = malloc(sizeof(int) * n), l->mark = calloc(n, sizeof(int));
    if (!r->c || !r->w || !r->leak || !r->w_leak || !r->inverse || !r->v || !r->b || !r->e_leak || !r->e || !r->d ||
        !l->kind || !l->at_plus || !l->at_minus || !l->conducts || !l->of_element || !l->next || !l->parent ||
        !l->plan || !l->drops || !l->path || !l->mark || !halfsplit_reduce(r, rho, sigma, leak))
        goto failed;
    memset(l->of_element, -1, sizeof(int) * m);
    for (int64_t k = looks - 1; k >= 0; k--) {
        int64_t a = plus[k], b = minus[k];
        need(l, needed, a), need(l, needed, b);
        l->at_plus[k] = a < p->n ? p->place[a] : 0, l->at_minus[k] = b < p->n ? p->place[b] : 0;
        l->next[k] = -1, l->conducts[k] = 0.0;
        if (a >= p->n) {
            int64_t e = a - p->n;
            l->next[k] = l->of_element[e], l->of_element[e] = (int)k;
            l->kind[k] = b != p->reference ? OTHER : flows(l, e) ? CURRENT : NOTHING;
            if (flows(l, e))
                l->at_plus[k] = p->slot[e], l->conducts[k] = p->sign[e] * rho[e] / sigma[e];
        } else
            l->kind[k] = b >= p->n ? OTHER : a == b ? NOTHING : b == p->reference ? NODE : BETWEEN;
    }
    /* What looks need: later neighbours, and the drops between these where drops are wanted. */
    for (int at = 0; at < p->n; at++) {
        int from = p->start[at], end = p->start[at + 1];
        l->parent[at] = from < end ? p->neighbour[from] : -1;
        if (!needed[at])
            continue;
        for (int x = from; x < end; x++) {
            needed[p->neighbour[x]] = 1;
            if (x + 1 < end && l->drops[at])
                l->drops[p->neighbour[x]] = 1;
        }
    }
    for (int at = p->n - 2; at >= 0; at--)
        if (needed[at])
            l->plan[l->planned++] = at;
    free(needed);
    return l;
failed:
    free(needed);
    halfsplit_looker_free(l);
    return NULL;
}

static void walk(Looker *l, int at) {
    for (; at >= 0 && l->mark[at] != l->stamp; at = l->parent[at]) {
        l->mark[at] = l->stamp;
        l->path[l->count++] = at;
    }
}

static void walk_from(Looker *l, int64_t unknown) {
    const Pattern *p = l->r.p;
    if (unknown < p->n)
        walk(l, p->place[unknown]);
    else if (p->slot[unknown - p->n] >= 0)
        walk(l, p->first[unknown - p->n]), walk(l, p->second[unknown - p->n]);
}

static int rising(const void *a, const void *b) {
    return *(const int *)a - *(const int *)b;
}

WIDE static void carry_up(Looker *l) {
    Reduced *r = &l->r;
    const Pattern *p = r->p;
    for (int k = 0; k < l->count; k++) {
        int at = l->path[k], from = p->start[at], end = p->start[at + 1], pair = p->pair_start[at];
        if (at == p->n - 1)
            continue;
        double *e_leak = r->e_leak + (size_t)at * LANES;
        const double *injected = r->b + (size_t)at * LANES;
        /* Until here these are sums of c e, from here on the mean e. */
        double leak = r->leak[at];
        for (int i = 0; i < LANES; i++)
            e_leak[i] /= leak;
        for (int x = from; x < end; x++)
            if (r->c[x] > 0.0) {
                double *e = r->e + (size_t)x * LANES, conducts = r->c[x];
                for (int i = 0; i < LANES; i++)
                    e[i] /= conducts; /* and no product with 1 / c: a volt must stay a whole one */
            }
        for (int x = from; x < end; x++) {
            const double *e_x = r->e + (size_t)x * LANES;
            size_t to = (size_t)p->neighbour[x] * LANES;
            double w = r->w[x], w_leak = w * leak;
            for (int y = x + 1; y < end; y++) {
                const double *e_y = r->e + (size_t)y * LANES;
                double *e_q = r->e + (size_t)p->pair_slot[pair++] * LANES, share = w * r->c[y];
                for (int i = 0; i < LANES; i++)
                    e_q[i] += share * (e_y[i] - e_x[i]);
            }
            for (int i = 0; i < LANES; i++) {
                r->e_leak[to + i] += w_leak * (e_leak[i] - e_x[i]);
                r->b[to + i] += w * injected[i];
            }
        }
    }
}

/* A place on the path of a force. */
WIDE static void back_on_path(Reduced *r, int at) {
    const Pattern *p = r->p;
    int from = p->start[at], end = p->start[at + 1], pair = p->pair_start[at];
    double *mine = r->v + (size_t)at * LANES, given[LANES], leak = r->w_leak[at];
    const double *e_leak = r->e_leak + (size_t)at * LANES;
    for (int i = 0; i < LANES; i++) {
        given[i] = r->b[at * LANES + i] * r->inverse[at];
        mine[i] = given[i] - leak * e_leak[i];
    }
    for (int x = from; x < end; x++) {
        const double *v_x = r->v + (size_t)p->neighbour[x] * LANES, *e_x = r->e + (size_t)x * LANES;
        double *d_x = r->d + (size_t)x * LANES, w = r->w[x];
        for (int i = 0; i < LANES; i++) {
            mine[i] += w * (v_x[i] - e_x[i]);
            d_x[i] = given[i] + leak * (e_x[i] - e_leak[i] - v_x[i]);
        }
    }
    for (int x = from; x < end; x++)
        for (int y = x + 1; y < end; y++) {
            size_t q = (size_t)p->pair_slot[pair++] * LANES;
            const double *e_x = r->e + (size_t)x * LANES, *e_y = r->e + (size_t)y * LANES;
            double *d_x = r->d + (size_t)x * LANES, *d_y = r->d + (size_t)y * LANES, w_x = r->w[x], w_y = r->w[y];
            for (int i = 0; i < LANES; i++) {
                double t = (r->e[q + i] + e_x[i] - e_y[i]) - r->d[q + i];
                d_x[i] += w_y * t;
                d_y[i] -= w_x * t;
            }
        }
}

/* A place that no force passes. */
static inline void back_beside(Reduced *r, int at, int drops) {
    const Pattern *p = r->p;
    int from = p->start[at], end = p->start[at + 1], pair = p->pair_start[at];
    double *mine = r->v + (size_t)at * LANES, sum[LANES] = {0}, leak = r->w_leak[at];
    for (int x = from; x < end; x++) {
        const double *v_x = r->v + (size_t)p->neighbour[x] * LANES;
        double w = r->w[x];
        for (int i = 0; i < LANES; i++)
            sum[i] += w * v_x[i];
    }
    for (int i = 0; i < LANES; i++)
        mine[i] = sum[i];
    if (!drops)
        return;
    for (int x = from; x < end; x++) {
        const double *v_x = r->v + (size_t)p->neighbour[x] * LANES;
        double *d_x = r->d + (size_t)x * LANES;
        for (int i = 0; i < LANES; i++)
            d_x[i] = -leak * v_x[i];
    }
    for (int x = from; x < end; x++)
        for (int y = x + 1; y < end; y++) {
            size_t q = (size_t)p->pair_slot[pair++] * LANES;
            double *d_x = r->d + (size_t)x * LANES, *d_y = r->d + (size_t)y * LANES, w_x = r->w[x], w_y = r->w[y];
            for (int i = 0; i < LANES; i++) {
                double t = r->e[q + i] - r->d[q + i];
                d_x[i] += w_y * t;
                d_y[i] -= w_x * t;
            }
        }
}

WIDE static void come_back(Looker *l) {
    Reduced *r = &l->r;
    int on = l->count - 1, beside = 0, stamp = l->stamp;
    for (;;) {
        while (beside < l->planned && l->mark[l->plan[beside]] == stamp)
            beside++;
        int path = on >= 0 ? l->path[on] : -1, plan = beside < l->planned ? l->plan[beside] : -1;
        if (path < 0 && plan < 0)
            return;
        if (path > plan) {
            if (path != r->p->n - 1)
                back_on_path(r, path);
            on--;
        } else
            back_beside(r, plan, l->drops[plan]), beside++;
    }
}

/* An unknown of one lane. */
static double value_of(const Looker *l, int64_t unknown, int lane) {
    const Reduced *r = &l->r;
    const Pattern *p = r->p;
    if (unknown < p->n)
        return r->v[(size_t)p->place[unknown] * LANES + (size_t)lane];
    int64_t e = unknown - p->n;
    if (!flows(l, e))
        return 0.0;
    size_t q = (size_t)p->slot[e] * LANES + (size_t)lane;
    return (r->d[q] - r->e[q]) * (p->sign[e] * l->rho[e] / l->sigma[e]);
}

/* What an element's current answers to the force in the element itself. */
static double own_answer(const Looker *l, int64_t e, int lane) {
    const Reduced *r = &l->r;
    const Pattern *p = r->p;
    if (l->rho[e] != 1.0)
        return value_of(l, p->n + e, lane) - 1.0 / l->sigma[e];
    if (p->slot[e] < 0)
        return -1.0 / l->sigma[e];
    /* The drop and the source first: where little flows they are all but equal. */
    size_t q = (size_t)p->slot[e] * LANES + (size_t)lane;
    return (r->d[q] + (-p->sign[e] - r->e[q])) * p->sign[e] / l->sigma[e];
}

static double answer_of(const Looker *l, int64_t force, int64_t unknown, int lane) {
    return force == unknown && force >= l->r.p->n ? own_answer(l, force - l->r.p->n, lane) : value_of(l, unknown, lane);
}

WIDE static void read_looks(const Looker *l, int count, double *rows) {
    const double *v = l->r.v, *d = l->r.d, *e = l->r.e;
    for (int64_t k = 0; k < l->looks; k++) {
        size_t plus = (size_t)l->at_plus[k] * LANES, minus = (size_t)l->at_minus[k] * LANES;
        double *into = rows + k, value[LANES] = {0}, conducts = l->conducts[k];
        switch (l->kind[k]) {
        case NODE:
            for (int i = 0; i < LANES; i++)
                value[i] = v[plus + i];
            break;
        case BETWEEN:
            for (int i = 0; i < LANES; i++)
                value[i] = v[plus + i] - v[minus + i];
            break;
        case CURRENT:
            for (int i = 0; i < LANES; i++)
                value[i] = (d[plus + i] - e[plus + i]) * conducts;
            break;
        case OTHER:
            for (int i = 0; i < count; i++)
                value[i] = value_of(l, l->plus[k], i) - value_of(l, l->minus[k], i);
            break;
        }
        for (int i = 0; i < count; i++)
            into[i * l->looks] = value[i];
    }
}

static void set_sources(Looker *l, int count, const int64_t *in_plus, const int64_t *in_minus) {
    Reduced *r = &l->r;
    const Pattern *p = r->p;
    for (int lane = 0; lane < count; lane++)
        for (int end = 0; end < 2; end++) {
            int64_t unknown = end ? in_minus[lane] : in_plus[lane], e = unknown - p->n;
            double amount = end ? -1.0 : 1.0;
            if (e < 0) {
                r->b[p->place[unknown] * LANES + lane] += amount;
                continue;
            }
            if (p->slot[e] < 0)
                continue;
            if (l->rho[e] == 1.0) /* a volt in the branch, against its direction */
                r->e[p->slot[e] * LANES + lane] -= amount * p->sign[e] / l->sigma[e];
            else { /* an ampere beside it */
                r->b[p->first[e] * LANES + lane] += amount * p->sign[e] / l->sigma[e];
                r->b[p->second[e] * LANES + lane] -= amount * p->sign[e] / l->sigma[e];
            }
        }
}

void halfsplit_look(Looker *l, int count, const int64_t *in_plus, const int64_t *in_minus, double *rows, int wanted,
                    const int64_t *plus, const int64_t *minus, double *more, int stride) {
    Reduced *r = &l->r;
    const Pattern *p = r->p;
    l->stamp++, l->count = 0;
    for (int lane = 0; lane < count; lane++)
        walk_from(l, in_plus[lane]), walk_from(l, in_minus[lane]);
    for (int k = 0; k < wanted; k++)
        walk_from(l, plus[k]), walk_from(l, minus[k]);
    qsort(l->path, (size_t)l->count, sizeof(int), rising);
    set_sources(l, count, in_plus, in_minus);
    carry_up(l);
    come_back(l);
    read_looks(l, count, rows);
    for (int lane = 0; lane < count; lane++) {
        int64_t e = in_plus[lane] - p->n;
        for (int k = e < 0 ? -1 : l->of_element[e]; k >= 0; k = l->next[k])
            rows[lane * l->looks + k] = own_answer(l, e, lane) - value_of(l, l->minus[k], lane);
        for (int k = 0; k < wanted; k++)
            more[k * stride + lane] =
                answer_of(l, in_plus[lane], plus[k], lane) - answer_of(l, in_plus[lane], minus[k], lane);
    }
    for (int k = 0; k < l->count; k++) {
        size_t at = (size_t)l->path[k];
        int from = p->start[at], end = p->start[at + 1];
        memset(r->b + at * LANES, 0, sizeof(double) * LANES);
        memset(r->e_leak + at * LANES, 0, sizeof(double) * LANES);
        memset(r->e + (size_t)from * LANES, 0, sizeof(double) * LANES * (size_t)(end - from));
    }
}

/* Unit forces in ``elements``: ``rows`` [count][looks]. 0: it cannot be done in this way, or no memory. */
int64_t halfsplit_look_elements(const Pattern *p, const double *rho, const double *sigma, double leak, int64_t count,
                                const int64_t *elements, int64_t looks, const int64_t *plus, const int64_t *minus,
                                double *rows) {
    Looker *l = halfsplit_looker_new(p, rho, sigma, leak, looks, plus, minus);
    if (!l)
        return 0;
    int64_t in[LANES], none[LANES];
    for (int64_t k = 0; k < count; k += LANES) {
        int lanes = count - k < LANES ? (int)(count - k) : LANES;
        for (int lane = 0; lane < lanes; lane++)
            in[lane] = p->n + elements[k + lane], none[lane] = p->reference;
        halfsplit_look(l, lanes, in, none, rows + k * looks, 0, NULL, NULL, NULL, 0);
    }
    halfsplit_looker_free(l);
    return 1;
}
