/* Repairing down the block-merged order, one belief after another.
 *
 * The same steps as in halfsplit.diagnosis.repair_problem.base_minutes, which works on all beliefs together, so that
 * every minute is the same to the last digit.
 */
#include "base_order.h"

#include <math.h>
#include <stdlib.h>

static double above_zero(double x) { return x > 0.0 ? x : 0.0; }

int64_t halfsplit_base_order(const Orders *s, double *minutes, int64_t *first) {
    int64_t steps = s->steps, repairs = s->repairs, items = steps + repairs;
    double *room = malloc(sizeof(double) * (size_t)(2 * items + 1));
    int64_t *whose = malloc(sizeof(int64_t) * (size_t)(2 * items + 1));
    uint8_t *placed = malloc((size_t)(items + 1));
    if (!room || !whose || !placed) {
        free(room), free(whose), free(placed);
        return -1;
    }
    double *weighted = room, *ratio = room + items;
    int64_t *block = whose, *lead = whose + items;
    for (int64_t row = 0; row < s->rows; row++) {
        double *length = s->length + row * items, *chance = s->chance + row * items;
        for (int64_t i = 0; i < items; i++) {
            placed[i] = i < steps ? s->open[row * steps + i] : !s->left[row * repairs + i - steps];
            weighted[i] = chance[i] * length[i];
            ratio[i] = placed[i] ? -1.0 : chance[i] / (length[i] > s->free_minutes ? length[i] : s->free_minutes);
            block[i] = i;
            lead[i] = i < steps ? -1 : i - steps;
        }
        double total = 0.0, clock = 0.0, cured = 0.0, best = s->can_hand_over ? s->hand_over : INFINITY;
        int64_t lead_first = -1, begun = s->can_hand_over ? repairs : -1;
        for (int64_t round = 0; round < items; round++) {
            int64_t k = 0;
            for (int64_t i = 1; i < items; i++)
                if (ratio[i] > ratio[k])
                    k = i;
            if (!(ratio[k] > 0.0))
                break;
            int64_t above = s->parent[k];
            if (above < 0 || placed[above]) {
                total += weighted[k] + clock * chance[k];
                clock += length[k];
                cured += chance[k];
                for (int64_t i = 0; i < items; i++)
                    placed[i] |= block[i] == k;
                ratio[k] = -1.0;
                if (lead_first < 0)
                    lead_first = lead[k];
                if (s->can_hand_over) {
                    double here = total + above_zero(1.0 - cured) * (clock + s->hand_over);
                    if (here < best - s->free_minutes)
                        begun = lead_first;
                    best = here < best ? here : best;
                }
            } else {
                int64_t q = block[above];
                weighted[q] += weighted[k] + length[q] * chance[k];
                chance[q] += chance[k];
                length[q] += length[k];
                ratio[q] = chance[q] / (length[q] > s->free_minutes ? length[q] : s->free_minutes);
                ratio[k] = -1.0;
                if (lead[q] < 0)
                    lead[q] = lead[k];
                for (int64_t i = 0; i < items; i++)
                    if (block[i] == k)
                        block[i] = q;
            }
        }
        minutes[row] = s->can_hand_over ? best : total + above_zero(1.0 - cured) * clock;
        first[row] = s->can_hand_over ? begun : lead_first;
    }
    free(room), free(whose), free(placed);
    return s->rows;
}
