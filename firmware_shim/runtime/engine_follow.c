/* Signals that follow an input sample by sample, in the widest type at hand, with a bound of what was rounded. */
#include <float.h>
#include <math.h>
#include <stdint.h>
#include "engine_follow.h"

#define MOST_INPUTS 8
/* Bounds are computed in binary64 themselves. */
#define SLACK 1.001
#define GROW (1 + 0x1p-40)
#define LEAST 0x1p-46
#define TINY 0x1p-200

/* Every error e of the state is P^(1/2) u with |u| <= 1, P = (p r; r q). */
struct ellipse { double p, r, q; };

struct system {
    long double a[4], c[2], b[MOST_INPUTS][2], d[MOST_INPUTS];
    double off, a_near[4], c_near[2];
};

static long double both(const double *pair)
{
    return (long double)pair[0] + pair[1];
}

static void read_system(const double *row, int64_t inputs, struct system *of)
{
    of->off = *row++;
    for (int k = 0; k < 4; k++, row += 2)
        of->a_near[k] = (double)(of->a[k] = both(row));
    for (int k = 0; k < 2; k++, row += 2)
        of->c_near[k] = (double)(of->c[k] = both(row));
    for (int64_t k = 0; k < inputs; k++, row += 6) {
        of->b[k][0] = both(row);
        of->b[k][1] = both(row + 2);
        of->d[k] = both(row + 4);
    }
}

/* The ellipse after one step to which at most `each` is added in either number: an outer bound of the sum of two
   ellipses, so that what A does to the error's direction counts. Products round by 2^-53 of their terms. */
static void move(struct ellipse *e, const double *a, double each)
{
    double u1 = a[0] * e->p + a[1] * e->r, u2 = a[0] * e->r + a[1] * e->q;
    double v1 = a[2] * e->p + a[3] * e->r, v2 = a[2] * e->r + a[3] * e->q;
    double rounding = LEAST * (e->p + e->q) * (a[0] * a[0] + a[1] * a[1] + a[2] * a[2] + a[3] * a[3]);
    double p = u1 * a[0] + u2 * a[1] + rounding, r = u1 * a[2] + u2 * a[3], q = v1 * a[2] + v2 * a[3] + rounding;
    double added = 2 * each * each, before = p + q;
    if (before <= 0) {
        *e = (struct ellipse){added * GROW, 0, added * GROW};
        return;
    }
    double c = sqrt(before / (2 * added)), stretch = (1 + 1 / c) * GROW, more = (1 + c) * added * GROW;
    *e = (struct ellipse){p * stretch + more, r * stretch, q * stretch + more};
}

/* Largest |c e| of the errors e in an ellipse. */
static double carried_out(const struct ellipse *e, const double *c)
{
    double square = e->p * c[0] * c[0] + 2 * e->r * c[0] * c[1] + e->q * c[1] * c[1];
    double size = (e->p + e->q) * (c[0] * c[0] + c[1] * c[1]);
    return sqrt((square > 0 ? square : 0) + LEAST * size) * SLACK;
}

void pf_follow_linear(const double *x, int64_t inputs, const int64_t *ends, const double *numbers, int64_t parts,
                      double *wanted, double *bound)
{
    /* Each coefficient, product and sum rounds by a unit of its terms. */
    const double units = (double)(inputs + 8) * (LDBL_EPSILON / 2);
    long double p = 0, q = 0;
    struct ellipse e = {0, 0, 0};
    int64_t k = 0;
    for (int64_t part = 0; part < parts; part++, numbers += 13 + 6 * inputs) {
        struct system s;
        read_system(numbers, inputs, &s);
        for (; k < ends[part]; k++, x += inputs) {
            double p_size = fabs((double)p), q_size = fabs((double)q), size = p_size + q_size + 2 * sqrt(e.p + e.q);
            double upper = fabs(s.a_near[0]) * p_size + fabs(s.a_near[1]) * q_size;
            double lower = fabs(s.a_near[2]) * p_size + fabs(s.a_near[3]) * q_size;
            double out_size = fabs(s.c_near[0]) * p_size + fabs(s.c_near[1]) * q_size;
            long double out = s.c[0] * p + s.c[1] * q;
            long double up = s.a[0] * p + s.a[1] * q, down = s.a[2] * p + s.a[3] * q;
            for (int64_t i = 0; i < inputs; i++) {
                double in = fabs(x[i]);
                out += s.d[i] * x[i];
                up += s.b[i][0] * x[i];
                down += s.b[i][1] * x[i];
                size += in;
                out_size += fabs((double)s.d[i]) * in;
                upper += fabs((double)s.b[i][0]) * in;
                lower += fabs((double)s.b[i][1]) * in;
            }
            double each = (units * (upper > lower ? upper : lower) + s.off * size) * SLACK + TINY;
            wanted[k] = (double)out;
            bound[k] = (units * out_size + s.off * size + carried_out(&e, s.c_near)) * SLACK
                       + fabs(wanted[k]) * 0x1p-53 + TINY;
            move(&e, s.a_near, each);
            p = up;
            q = down;
        }
    }
}
