/* One signal of a script, looked at as a whole: plain declarations, compiled by the C compiler and read verbatim by cffi. */

/* A stretch [start, end). kind 0: level; 1: level + slope j, not beyond target; 2: target + distance
   high[(j - 1) / 256] low[(j - 1) % 256], j = 1, 2, ... from its start on, low and high falling or rising; 3: low[j - 1].
   fixed, growing, rest: how far the value can be from the exact one; kind 0: fixed; 1: fixed + j growing; 2: (fixed + j
   growing) power + rest; 3: high[j - 1]. */
struct pf_piece {
    int64_t start, end;
    int32_t kind, rising;
    double level, slope, target, distance, fixed, growing, rest;
    const double *low, *high;
};

/* least, most: of got - wanted, with the first sample of each and what was wanted there; margin: no bound +
   |wanted| 2^-51 is larger, and 0 where all bounds are. */
struct pf_distance {
    double least, most, margin, least_wanted, most_wanted;
    int64_t least_at, most_at;
};

int64_t pf_trace_odd(const double *y, int64_t n);
int64_t pf_trace_subnormal(const void *raw, int64_t width, int64_t n);
double pf_trace_beyond(const double *y, int64_t n, double low, double high, int64_t *at);
double pf_trace_step(const double *y, int64_t n, int64_t *at);
void pf_trace_distance(const double *y, const struct pf_piece *piece, int64_t pieces, struct pf_distance *found);
void pf_trace_slew(const double *x, int64_t n, double step, double y, double *out);
