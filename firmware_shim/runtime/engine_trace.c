/* One signal of a script, looked at as a whole: extremes with their first sample, and distances from pieces of closed
   form. Every value is computed with the same operations in the same order as the caller's own arrays, so that the bits
   are the same; samples must be finite where an extreme is asked for. */
#include <math.h>
#include <stdint.h>
#include <string.h>
#include "engine_trace.h"

#define ROOM 256
#define LANES 8

static double most_of(const double *v, int64_t n)
{
    double lane[LANES];
    int64_t i = 0;
    for (int k = 0; k < LANES; k++)
        lane[k] = -INFINITY;
    for (; i + LANES <= n; i += LANES)
        for (int k = 0; k < LANES; k++)
            lane[k] = v[i + k] > lane[k] ? v[i + k] : lane[k];
    for (; i < n; i++)
        lane[0] = v[i] > lane[0] ? v[i] : lane[0];
    for (int k = 1; k < LANES; k++)
        lane[0] = lane[k] > lane[0] ? lane[k] : lane[0];
    return lane[0];
}

static double least_of(const double *v, int64_t n)
{
    double lane[LANES];
    int64_t i = 0;
    for (int k = 0; k < LANES; k++)
        lane[k] = INFINITY;
    for (; i + LANES <= n; i += LANES)
        for (int k = 0; k < LANES; k++)
            lane[k] = v[i + k] < lane[k] ? v[i + k] : lane[k];
    for (; i < n; i++)
        lane[0] = v[i] < lane[0] ? v[i] : lane[0];
    for (int k = 1; k < LANES; k++)
        lane[0] = lane[k] < lane[0] ? lane[k] : lane[0];
    return lane[0];
}

static int64_t place_of(const double *v, int64_t n, double wanted)
{
    for (int64_t i = 0; i < n; i++)
        if (v[i] == wanted)
            return i;
    return -1;
}

/* The first sample that is NaN or infinite, -1 for none. */
int64_t pf_trace_odd(const double *y, int64_t n)
{
    for (int64_t from = 0; from < n; from += ROOM) {
        int64_t count = n - from < ROOM ? n - from : ROOM;
        int64_t odd = 0;
        for (int64_t i = 0; i < count; i++)
            odd += !(fabs(y[from + i]) < INFINITY);
        for (int64_t i = 0; odd && i < count; i++)
            if (!(fabs(y[from + i]) < INFINITY))
                return from + i;
    }
    return -1;
}

/* The first subnormal of binary32 (width 4) or binary64 bits, -1 for none. */
int64_t pf_trace_subnormal(const void *raw, int64_t width, int64_t n)
{
    const uint32_t *narrow = raw;
    const uint64_t *wide = raw;
    for (int64_t from = 0; from < n; from += ROOM) {
        int64_t count = n - from < ROOM ? n - from : ROOM;
        int64_t odd = 0;
        /* Without the sign, minus one: zero wraps to the top, and what is subnormal lies below the first normal's. */
        for (int64_t i = from; width == 4 && i < from + count; i++)
            odd += (uint32_t)((narrow[i] & 0x7fffffffu) - 1u) < 0x7fffffu;
        for (int64_t i = from; width == 8 && i < from + count; i++)
            odd += (uint64_t)((wide[i] & 0x7fffffffffffffffu) - 1u) < 0xfffffffffffffu;
        for (int64_t i = from; odd && i < from + count; i++)
            if (width == 4 ? (uint32_t)((narrow[i] & 0x7fffffffu) - 1u) < 0x7fffffu
                           : (uint64_t)((wide[i] & 0x7fffffffffffffffu) - 1u) < 0xfffffffffffffu)
                return i;
    }
    return -1;
}

/* The largest of max(y - high, low - y), and its first sample. */
double pf_trace_beyond(const double *y, int64_t n, double low, double high, int64_t *at)
{
    double best = -INFINITY, v[ROOM];
    *at = 0;
    for (int64_t from = 0; from < n; from += ROOM) {
        int64_t count = n - from < ROOM ? n - from : ROOM;
        for (int64_t i = 0; i < count; i++) {
            double over = y[from + i] - high, under = low - y[from + i];
            v[i] = over > under ? over : under;
        }
        double here = most_of(v, count);
        if (here > best) {
            best = here;
            *at = from + place_of(v, count, here);
        }
    }
    return best;
}

/* The largest |y[k + 1] - y[k]|, and its first k. */
double pf_trace_step(const double *y, int64_t n, int64_t *at)
{
    double best = -INFINITY, v[ROOM];
    *at = 0;
    for (int64_t from = 0; from < n - 1; from += ROOM) {
        int64_t count = n - 1 - from < ROOM ? n - 1 - from : ROOM;
        for (int64_t i = 0; i < count; i++)
            v[i] = fabs(y[from + i + 1] - y[from + i]);
        double here = most_of(v, count);
        if (here > best) {
            best = here;
            *at = from + place_of(v, count, here);
        }
    }
    return best;
}

static double larger(double a, double b)
{
    return a > b ? a : b;
}

/* Values after done + 1 .. done + n steps of a piece; done is a multiple of ROOM, n at most ROOM. */
static void wanted_of(const struct pf_piece *p, int64_t done, int64_t n, double *wanted)
{
    if (p->kind == 0) {
        for (int64_t i = 0; i < n; i++)
            wanted[i] = p->level;
    } else if (p->kind == 1) {
        for (int64_t i = 0; i < n; i++) {
            double value = p->level + p->slope * (double)(done + 1 + i);
            if (p->rising)
                wanted[i] = value < p->target ? value : p->target;
            else
                wanted[i] = value > p->target ? value : p->target;
        }
    } else if (p->kind == 2) {
        double high = p->high[done / ROOM];
        for (int64_t i = 0; i < n; i++)
            wanted[i] = high * p->low[i] * p->distance + p->target;
    } else {
        memcpy(wanted, p->low + done, (size_t)n * sizeof *wanted);
    }
}

/* No bound of these values is larger: each factor is taken at its larger end, and once more rounded up. Of a table the
   bound of every sample is looked at. */
static double margin_of(const struct pf_piece *p, int64_t done, int64_t n, const double *wanted)
{
    double last = (double)(done + n), size = larger(fabs(least_of(wanted, n)), fabs(most_of(wanted, n))), found;
    if (p->kind == 3) {
        found = most_of(p->high + done, n);
    } else if (p->kind == 2) {
        double high = p->high[done / ROOM];
        found = (last * p->growing + p->fixed) * high * larger(p->low[0], p->low[n - 1]) + p->rest;
    } else {
        found = last * p->growing + p->fixed;
    }
    return found == 0 ? 0 : (found + size * 0x1p-51) * (1 + 0x1p-40);
}

void pf_trace_distance(const double *y, const struct pf_piece *piece, int64_t pieces, struct pf_distance *found)
{
    double wanted[ROOM], off[ROOM];
    found->least = INFINITY;
    found->most = found->margin = -INFINITY;
    found->least_at = found->most_at = 0;
    found->least_wanted = found->most_wanted = 0;
    for (const struct pf_piece *p = piece; p < piece + pieces; p++)
        for (int64_t done = 0; done < p->end - p->start; done += ROOM) {
            int64_t from = p->start + done, left = p->end - from, n = left < ROOM ? left : ROOM;
            wanted_of(p, done, n, wanted);
            found->margin = larger(found->margin, margin_of(p, done, n, wanted));
            for (int64_t i = 0; i < n; i++)
                off[i] = y[from + i] - wanted[i];
            double least = least_of(off, n), most = most_of(off, n);
            if (least < found->least) {
                found->least = least;
                int64_t place = place_of(off, n, least);
                found->least_at = from + place;
                found->least_wanted = wanted[place];
            }
            if (most > found->most) {
                found->most = most;
                int64_t place = place_of(off, n, most);
                found->most_at = from + place;
                found->most_wanted = wanted[place];
            }
        }
}

/* y moves towards x by at most a step per sample. */
void pf_trace_slew(const double *x, int64_t n, double step, double y, double *out)
{
    for (int64_t i = 0; i < n; i++) {
        double gap = x[i] - y;
        y = -step <= gap && gap <= step ? x[i] : gap > 0 ? y + step : y - step;
        out[i] = y;
    }
}
