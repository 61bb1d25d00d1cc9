/* Counting the upward crossings of a level, over runs of any length: no sample is kept, none is left out. */
#include "engine_parts.h"

enum { PIECE = 1024 };

/* A crossing counts when the signal was at or below `armed` since the last one; its place is interpolated. */
void pf_count(struct pf_counter *c, const void *values, int type, double scale, int64_t n, double about, double armed)
{
    double y[PIECE];
    for (int64_t done = 0; done < n; done += PIECE) {
        long count = n - done < PIECE ? (long)(n - done) : PIECE;
        pf_to_double((const char *)values + done * pf_width[type], type, scale, y, count);
        for (long k = 0; k < count; k++) {
            double now = y[k];
            if (!(now - now == 0.0)) {
                c->odd += 1;
                continue;
            }
            c->least = now < c->least ? now : c->least;
            c->most = now > c->most ? now : c->most;
            if (c->is_armed && now >= about) {
                c->crossings += 1;
                c->place = (double)(c->samples + k) - (now > c->before ? (now - about) / (now - c->before) : 0.0);
                if (c->crossings == 1)
                    c->first = c->place;
                c->is_armed = 0;
            }
            if (now <= armed)
                c->is_armed = 1;
            c->before = now;
        }
        c->samples += count;
    }
}
