/* Counting the upward crossings of a level, over runs of any length: no sample is kept, none is left out. */
#define _GNU_SOURCE
#include <math.h>
#include "engine_instances.h"

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

/* A long script whose outputs are counted and not kept; the child ends with it, and its scratch too. */
void pf_play_counted(const struct pf_job *job, const struct pf_machine *m, struct pf_script *s, struct instance *one)
{
    struct pf_counter counter = {0, 0, 0, 0, -1.0, -1.0, 0.0, INFINITY, -INFINITY};
    int64_t next = 0, length = m->block ? (s->cut[0] < LONGEST_BLOCK ? s->cut[0] : LONGEST_BLOCK) : s->row;
    void *scratch[8];
    for (int64_t k = 0; k < m->outputs; k++)
        scratch[k] = pf_plain_memory(s->row * pf_width[m->output_type[k]]).at;
    for (int64_t at = 0, begun = 0; at < s->samples; begun = at) {
        int64_t row_end = at + s->row < s->samples ? at + s->row : s->samples;
        while (at < row_end) {
            next = pf_fire_due(job, m, s, one, next, at);
            int64_t end = pf_stretch_end(s, next, at, length, row_end);
            pf_note_flags(s, pf_call_run(job, m, s, one, at - begun, end - at, scratch), at);
            at = end;
        }
        pf_count(&counter, scratch[s->counted], m->output_type[s->counted], s->scale, at - begun, s->about, s->armed);
        s->rows[begun / s->row] = counter;
        s->done = at;
    }
}
