/* Columns of the inverse of a circuit's matrix by elimination in which nothing is subtracted.
 *
 * A circuit of conductances is reduced node by node as a star is turned into a mesh:
 *
 *     c_ij += c_ki c_kj / s_k,    s_k = sum of c_kj over the neighbours that are left
 *
 * The reference is never eliminated, and what leaks to it is kept apart from the branches that lead to it. Every number
 * is a sum of positive ones, so that each keeps nearly all its digits however far apart conductances are: entrywise
 * exact elimination of diagonally dominant matrices (Alfa, Xue and Ye 2002; the idea is that of Grassmann, Taksar and
 * Heyman 1985; both from memory).
 *
 * Two things keep the digits of currents in parts of the circuit that hang on leaks alone. A source in a branch stays a
 * source in branches while nodes are eliminated, never a pair of injected currents. And on the way back not only the
 * voltages v are found but the drop D_ki = v_k - v_i + e_ki of every branch of the reduced circuits, from the drops of
 * branches found before, never as a difference of two nearly equal voltages:
 *
 *     D_ki = sum_j (c_kj / s_k) (v_j - v_i + e_ki - e_kj) + b_k / s_k
 *
 * where v_j - v_i comes from the drop between the neighbours i and j, which are later in the order.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "elimination.h"

typedef struct {
    int *item;
    int count, room;
} List;

static int list_add(List *list, int item) {
    int low = 0, high = list->count;
    while (low < high) {
        int middle = (low + high) / 2;
        if (list->item[middle] < item)
            low = middle + 1;
        else
            high = middle;
    }
    if (low < list->count && list->item[low] == item)
        return 1;
    if (list->count == list->room) {
        int room = list->room ? 2 * list->room : 8;
        int *grown = realloc(list->item, sizeof(int) * (size_t)room);
        if (!grown)
            return 0;
        list->item = grown;
        list->room = room;
    }
    memmove(list->item + low + 1, list->item + low, sizeof(int) * (size_t)(list->count - low));
    list->item[low] = item;
    list->count++;
    return 1;
}

static void list_drop(List *list, int item) {
    for (int at = 0; at < list->count; at++)
        if (list->item[at] == item) {
            memmove(list->item + at, list->item + at + 1, sizeof(int) * (size_t)(list->count - at - 1));
            list->count--;
            return;
        }
}

void halfsplit_pattern_free(Pattern *p) {
    if (!p)
        return;
    free(p->place), free(p->node), free(p->start), free(p->neighbour), free(p->pair_start), free(p->pair_slot);
    free(p->slot), free(p->first), free(p->second), free(p->sign);
    free(p);
}

static int compare(const void *a, const void *b) {
    return *(const int *)a - *(const int *)b;
}

/* Slot of the branch between two places, the first the earlier. */
static int slot_of(const Pattern *p, int first, int second) {
    int low = p->start[first], high = p->start[first + 1];
    while (low < high) {
        int middle = (low + high) / 2;
        if (p->neighbour[middle] < second)
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

/* The order of elimination, fewest neighbours first, and every branch that comes up on the way; NULL: no memory. */
Pattern *halfsplit_pattern_new(int64_t nodes, int64_t elements, int64_t reference, const int64_t *a, const int64_t *b) {
    int n = (int)nodes, m = (int)elements, bad = 0;
    Pattern *p = calloc(1, sizeof(Pattern));
    List *near = calloc((size_t)n, sizeof(List)), *later = calloc((size_t)n, sizeof(List));
    char *gone = calloc((size_t)n, 1);
    if (!p || !near || !later || !gone)
        goto failed;
    p->n = n, p->m = m, p->reference = (int)reference;
    p->place = malloc(sizeof(int) * (size_t)n), p->node = malloc(sizeof(int) * (size_t)n);
    p->start = malloc(sizeof(int) * (size_t)(n + 1)), p->pair_start = malloc(sizeof(int) * (size_t)(n + 1));
    p->slot = malloc(sizeof(int) * (size_t)(m + 1)), p->sign = malloc(sizeof(int) * (size_t)(m + 1));
    p->first = malloc(sizeof(int) * (size_t)(m + 1)), p->second = malloc(sizeof(int) * (size_t)(m + 1));
    if (!p->place || !p->node || !p->start || !p->pair_start || !p->slot || !p->sign || !p->first || !p->second)
        goto failed;
    for (int e = 0; e < m; e++)
        if (a[e] != b[e])
            if (!list_add(&near[a[e]], (int)b[e]) || !list_add(&near[b[e]], (int)a[e]))
                goto failed;
    gone[reference] = 1;
    int slots = 0;
    for (int at = 0; at < n - 1; at++) {
        int k = -1;
        for (int one = 0; one < n; one++)
            if (!gone[one] && (k < 0 || near[one].count < near[k].count)) {
                k = one;
                if (near[k].count <= 1)
                    break;
            }
        gone[k] = 1;
        p->place[k] = at, p->node[at] = k;
        List *mine = &near[k];
        for (int x = 0; x < mine->count; x++) {
            int i = mine->item[x];
            list_drop(&near[i], k);
            for (int y = 0; y < mine->count; y++)
                if (y != x)
                    bad |= !list_add(&near[i], mine->item[y]);
        }
        if (bad)
            goto failed;
        slots += mine->count;
        later[at] = *mine;
        memset(mine, 0, sizeof(List));
    }
    p->place[reference] = n - 1, p->node[n - 1] = (int)reference;
    p->slots = slots;
    p->neighbour = malloc(sizeof(int) * (size_t)(slots + 1));
    if (!p->neighbour)
        goto failed;
    int to = 0, pairs = 0;
    for (int at = 0; at < n - 1; at++) {
        p->start[at] = to, p->pair_start[at] = pairs;
        for (int x = 0; x < later[at].count; x++)
            p->neighbour[to++] = p->place[later[at].item[x]];
        qsort(p->neighbour + p->start[at], (size_t)later[at].count, sizeof(int), compare);
        pairs += later[at].count * (later[at].count - 1) / 2;
    }
    p->start[n - 1] = p->start[n] = to, p->pair_start[n - 1] = p->pair_start[n] = pairs;
    p->pair_slot = malloc(sizeof(int) * (size_t)(pairs + 1));
    if (!p->pair_slot)
        goto failed;
    for (int at = 0; at < n - 1; at++) {
        int pair = p->pair_start[at], last = p->start[at + 1];
        for (int x = p->start[at]; x < last; x++)
            for (int y = x + 1; y < last; y++)
                p->pair_slot[pair++] = slot_of(p, p->neighbour[x], p->neighbour[y]);
    }
    for (int e = 0; e < m; e++) {
        int i = p->place[a[e]], j = p->place[b[e]];
        p->sign[e] = i < j ? 1 : -1;
        p->first[e] = i < j ? i : j, p->second[e] = i < j ? j : i;
        p->slot[e] = i == j ? -1 : slot_of(p, p->first[e], p->second[e]);
    }
    for (int at = 0; at < n; at++)
        free(near[at].item), free(later[at].item);
    free(near), free(later), free(gone);
    return p;
failed:
    for (int at = 0; at < n && near && later; at++)
        free(near[at].item), free(later[at].item);
    free(near), free(later), free(gone);
    halfsplit_pattern_free(p);
    return NULL;
}

int halfsplit_reduce(Reduced *r, const double *rho, const double *sigma, double leak) {
    const Pattern *p = r->p;
    memset(r->c, 0, sizeof(double) * (size_t)p->slots);
    for (int at = 0; at < p->n; at++)
        r->leak[at] = leak;
    for (int e = 0; e < p->m; e++)
        if (rho[e] != 0.0 && p->slot[e] >= 0) {
            if (!(sigma[e] > 1e-13))
                return 0;
            r->c[p->slot[e]] += rho[e] / sigma[e];
        }
    for (int at = 0; at < p->n - 1; at++) {
        int from = p->start[at], end = p->start[at + 1], pair = p->pair_start[at];
        double s = r->leak[at];
        for (int x = from; x < end; x++)
            s += r->c[x];
        r->inverse[at] = 1.0 / s;
        r->w_leak[at] = r->leak[at] / s;
        for (int x = from; x < end; x++)
            r->w[x] = r->c[x] / s;
        for (int x = from; x < end; x++) {
            for (int y = x + 1; y < end; y++)
                r->c[p->pair_slot[pair++]] += r->w[x] * r->c[y];
            r->leak[p->neighbour[x]] += r->w[x] * r->leak[at];
        }
    }
    return 1;
}

/* One lane's sources, carried up to the last node; places that are ``touched`` may hold some. */
static void carry_up(Reduced *r, int first_place, int lane) {
    const Pattern *p = r->p;
    for (int at = first_place; at < p->n - 1; at++) {
        if (!r->touched[at])
            continue;
        int from = p->start[at], end = p->start[at + 1], pair = p->pair_start[at];
        double injected = r->b[at * LANES + lane];
        /* Until here these are sums of c e, from here on the mean e. */
        double e_leak = r->e_leak[at * LANES + lane] /= r->leak[at];
        for (int x = from; x < end; x++)
            if (r->c[x] > 0.0)
                r->e[x * LANES + lane] /= r->c[x];
        for (int x = from; x < end; x++) {
            double e_x = r->e[x * LANES + lane];
            int i = p->neighbour[x];
            r->touched[i] = 1;
            for (int y = x + 1; y < end; y++)
                r->e[p->pair_slot[pair++] * LANES + lane] += r->w[x] * r->c[y] * (r->e[y * LANES + lane] - e_x);
            r->e_leak[i * LANES + lane] += r->w[x] * r->leak[at] * (e_leak - e_x);
            r->b[i * LANES + lane] += r->w[x] * injected;
        }
    }
}

WIDE static void come_back(Reduced *r) {
    const Pattern *p = r->p;
    double *v = r->v, *e = r->e, *d = r->d;
    for (int l = 0; l < LANES; l++)
        v[(p->n - 1) * LANES + l] = 0.0;
    for (int at = p->n - 2; at >= 0; at--) {
        int from = p->start[at], end = p->start[at + 1], pair = p->pair_start[at];
        double *mine = v + (size_t)at * LANES, given[LANES], leak = r->w_leak[at];
        const double *e_leak = r->e_leak + (size_t)at * LANES;
        for (int l = 0; l < LANES; l++) {
            given[l] = r->b[at * LANES + l] * r->inverse[at];
            mine[l] = given[l] - leak * e_leak[l];
        }
        for (int x = from; x < end; x++) {
            const double *v_x = v + (size_t)p->neighbour[x] * LANES, *e_x = e + (size_t)x * LANES;
            double *d_x = d + (size_t)x * LANES, w = r->w[x];
            for (int l = 0; l < LANES; l++) {
                mine[l] += w * (v_x[l] - e_x[l]);
                d_x[l] = given[l] + leak * (e_x[l] - e_leak[l] - v_x[l]);
            }
        }
        for (int x = from; x < end; x++)
            for (int y = x + 1; y < end; y++) {
                int q = p->pair_slot[pair++];
                const double *e_x = e + (size_t)x * LANES, *e_y = e + (size_t)y * LANES;
                const double *d_q = d + (size_t)q * LANES, *e_q = e + (size_t)q * LANES;
                double *d_x = d + (size_t)x * LANES, *d_y = d + (size_t)y * LANES, w_x = r->w[x], w_y = r->w[y];
                for (int l = 0; l < LANES; l++) {
                    double t = (e_q[l] + e_x[l] - e_y[l]) - d_q[l];
                    d_x[l] += w_y * t;
                    d_y[l] -= w_x * t;
                }
            }
    }
}

static int64_t found_in(const int64_t *rising, int64_t count, int64_t value) {
    int64_t low = 0, high = count;
    while (low < high) {
        int64_t middle = (low + high) / 2;
        if (rising[middle] < value)
            low = middle + 1;
        else
            high = middle;
    }
    return low < count && rising[low] == value ? low : -1;
}

/* Columns ``columns`` of the inverse; of each the unknowns ``wanted``, which rise, as row of ``out`` [count][stride].
 *
 * Unknowns are numbered as in stamps.py: nodes, then the currents of elements. Gives 0 where it cannot be done in this
 * way (an element without resistance) or memory is lacking. */
int64_t halfsplit_columns(
    const Pattern *p, const double *rho, const double *sigma, double leak, int64_t count, const int64_t *columns,
    int64_t wanted_count, const int64_t *wanted, int64_t stride, double *out
) {
    Reduced r = {.p = p};
    int ok = 0;
    size_t slots = (size_t)p->slots + 1, n = (size_t)p->n;
    r.c = malloc(sizeof(double) * slots), r.w = malloc(sizeof(double) * slots);
    r.leak = malloc(sizeof(double) * n), r.w_leak = malloc(sizeof(double) * n), r.inverse = malloc(sizeof(double) * n);
    r.v = malloc(sizeof(double) * n * LANES), r.b = calloc(n * LANES, sizeof(double));
    r.e_leak = calloc(n * LANES, sizeof(double));
    r.e = calloc(slots * LANES, sizeof(double)), r.d = malloc(sizeof(double) * slots * LANES);
    r.touched = calloc(n, 1);
    if (!r.c || !r.w || !r.leak || !r.w_leak || !r.inverse || !r.v || !r.b || !r.e_leak || !r.e || !r.d || !r.touched)
        goto done;
    if (!halfsplit_reduce(&r, rho, sigma, leak))
        goto done;
    for (int64_t start = 0; start < count; start += LANES) {
        int lanes = count - start < LANES ? (int)(count - start) : LANES;
        for (int lane = 0; lane < lanes; lane++) {
            int64_t unknown = columns[start + lane];
            int first = p->n;
            memset(r.touched, 0, n);
            if (unknown < p->n) {
                first = p->place[unknown];
                r.b[first * LANES + lane] = 1.0;
                r.touched[first] = 1;
            } else {
                int64_t f = unknown - p->n;
                int i = p->first[f], j = p->second[f];
                if (p->slot[f] >= 0) {
                    first = i;
                    r.touched[i] = 1;
                    if (rho[f] == 1.0) /* a volt in the branch, against its direction */
                        r.e[p->slot[f] * LANES + lane] = -p->sign[f] / sigma[f];
                    else { /* an ampere beside it */
                        r.b[i * LANES + lane] += p->sign[f] / sigma[f];
                        r.b[j * LANES + lane] -= p->sign[f] / sigma[f];
                        r.touched[j] = 1;
                    }
                }
            }
            carry_up(&r, first, lane);
        }
        come_back(&r);
        for (int64_t at = 0; at < wanted_count; at++) {
            int64_t unknown = wanted[at], e = unknown - p->n;
            double *into = out + start * stride + at;
            if (e < 0) {
                const double *v = r.v + (size_t)p->place[unknown] * LANES;
                for (int lane = 0; lane < lanes; lane++)
                    into[lane * stride] = v[lane];
            } else if (p->slot[e] >= 0 && rho[e] != 0.0) {
                const double *d = r.d + (size_t)p->slot[e] * LANES, *source = r.e + (size_t)p->slot[e] * LANES;
                double conducts = p->sign[e] * rho[e] / sigma[e];
                for (int lane = 0; lane < lanes; lane++)
                    into[lane * stride] = (d[lane] - source[lane]) * conducts;
            } else
                for (int lane = 0; lane < lanes; lane++)
                    into[lane * stride] = 0.0;
        }
        for (int lane = 0; lane < lanes; lane++) {
            /* An element's answer to its own force. */
            int64_t e = columns[start + lane] - p->n, at = e < 0 ? -1 : found_in(wanted, wanted_count, e + p->n);
            if (at < 0)
                continue;
            double *own = out + (start + lane) * stride + at;
            if (rho[e] != 1.0)
                *own -= 1.0 / sigma[e];
            else if (p->slot[e] < 0)
                *own = -1.0 / sigma[e];
            else { /* The drop and the source first: where little flows they are all but equal. */
                size_t q = (size_t)p->slot[e] * LANES + (size_t)lane;
                *own = (r.d[q] + (-p->sign[e] - r.e[q])) * p->sign[e] / sigma[e];
            }
        }
        memset(r.e, 0, sizeof(double) * slots * LANES);
        memset(r.b, 0, sizeof(double) * n * LANES);
        memset(r.e_leak, 0, sizeof(double) * n * LANES);
    }
    ok = 1;
done:
    free(r.c), free(r.w), free(r.leak), free(r.w_leak), free(r.inverse), free(r.v), free(r.b), free(r.e_leak);
    free(r.e), free(r.d), free(r.touched);
    return ok;
}
