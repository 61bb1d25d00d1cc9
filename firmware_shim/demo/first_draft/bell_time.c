/* Harbour bell, parts that live in time. See bell_time.h. */
#include "bell_time.h"

#include <math.h>

enum { AT_REST, RISING, RINGING };

static const float SILENCE = 1e-5f;         /* -100 dB: below it the bell is off */
static const float LOG2_OF_60_DB = 9.9657843f; /* log2(1000) */

void bell_strike_init(bell_strike_t *s, float sample_rate_hz)
{
    s->rate = sample_rate_hz;
    s->level = 0.0f;
    s->attack_seconds = 0.002f;
    s->decay_seconds = 0.5f;
    s->step = 0.0f;
    s->ratio = 0.0f;
    s->phase = AT_REST;
}

void bell_strike_set_attack(bell_strike_t *s, float seconds) { s->attack_seconds = seconds; }
void bell_strike_set_decay(bell_strike_t *s, float seconds) { s->decay_seconds = seconds; }

void bell_strike_hit(bell_strike_t *s)
{
    float samples = s->attack_seconds * s->rate;
    s->step = samples > 1.0f ? 1.0f / samples : 1.0f;
    s->level = 0.0f;
    s->phase = RISING;
}

float bell_strike_step(bell_strike_t *s)
{
    if (s->phase == RISING) {
        s->level += s->step;
        if (s->level >= 1.0f) {
            float samples = s->decay_seconds * s->rate;
            s->level = 1.0f;
            s->ratio = samples > 1.0f ? exp2f(-LOG2_OF_60_DB / samples) : 0.0f;
            s->phase = RINGING;
        }
    } else if (s->phase == RINGING) {
        s->level *= s->ratio;
    }
    return s->level;
}

/* 15 bits of level and 15 more below them, so that slow decays keep their time. */
enum { Q15_ONE = 32767, MORE_BITS = 15, TOP = Q15_ONE << MORE_BITS };

void bell_strike_q15_init(bell_strike_q15_t *s, float sample_rate_hz)
{
    s->level = 0;
    s->up = (int32_t)((float)TOP / (0.002f * sample_rate_hz));
    s->down = (int32_t)((float)TOP / (0.5f * sample_rate_hz));
    s->phase = AT_REST;
}

void bell_strike_q15_hit(bell_strike_q15_t *s) { s->phase = RISING; }

int16_t bell_strike_q15_step(bell_strike_q15_t *s)
{
    if (s->phase == RISING) {
        s->level += s->up;
        if (s->level >= TOP)
            s->phase = RINGING;
    } else if (s->phase == RINGING) {
        if (s->level <= s->down) {
            s->level = 0;
            s->phase = AT_REST;
        } else {
            s->level -= s->down;
        }
    }
    return (int16_t)((s->level + (1 << (MORE_BITS - 1))) >> MORE_BITS);
}

void bell_wind_init(bell_wind_t *w, float sample_rate_hz)
{
    w->level = 0.0f;
    w->carry = 0.0f;
    w->coefficient = 1.0f - expf(-1.0f / (0.05f * sample_rate_hz));
}

float bell_wind_step(bell_wind_t *w, float wind)
{
    w->level += w->coefficient * (wind - w->level);
    return w->level;
}

void bell_wind_block(bell_wind_t *w, const float *wind, float *smooth, int n)
{
    float level = w->level;
    for (int i = 0; i < n; i++) {
        level += w->coefficient * (wind[i] - level);
        smooth[i] = level;
    }
    w->level = smooth[n / 2];
}

void bell_wind_q31_init(bell_wind_q31_t *w, float sample_rate_hz)
{
    w->level = 0;
    w->coefficient = (int32_t)((1.0f - expf(-1.0f / (0.05f * sample_rate_hz))) * 2147483648.0f);
}

int32_t bell_wind_q31_step(bell_wind_q31_t *w, int32_t wind)
{
    int32_t level = (int32_t)(w->level >> 31);
    level += (int32_t)(((int64_t)(wind - level) * w->coefficient) >> 31);
    w->level = (int64_t)level << 31;
    return level;
}

void bell_shutter_init(bell_shutter_t *s, float sample_rate_hz)
{
    s->position = 0.0f;
    s->step = 4.0f / sample_rate_hz;
}

float bell_shutter_step(bell_shutter_t *s, float target)
{
    float gap = target - s->position;
    if (gap > 0.0f)
        s->position += s->step;
    else if (gap < 0.0f)
        s->position -= s->step;
    return s->position;
}

void bell_gate_init(bell_gate_t *g, float sample_rate_hz)
{
    g->left = 0;
    g->least = (uint32_t)(0.002f * sample_rate_hz);
    g->on = 0;
}

int bell_gate_step(bell_gate_t *g, float volts)
{
    if (volts >= 1.6f) {
        if (!g->on)
            g->left = g->least;
        g->on = 1;
    } else if (volts <= 1.2f) {
        g->on = 0;
        g->left = 0;
    }
    if (g->left > 0) {
        g->left--;
        return 1;
    }
    return g->on;
}

void bell_lamp_init(bell_lamp_t *l, float sample_rate_hz)
{
    l->level = 0.0f;
    l->ratio = exp2f(-LOG2_OF_60_DB / sample_rate_hz);
    l->left = 0;
    l->hold = 4410;
}

void bell_lamp_hit(bell_lamp_t *l)
{
    l->level = 1.0f;
    l->left = l->hold;
}

float bell_lamp_step(bell_lamp_t *l)
{
    if (l->left > 0)
        l->left--;
    else
        l->level *= l->ratio;
    if (l->level < SILENCE)
        l->level = 0.0f;
    return l->level;
}

void bell_notes_init(bell_notes_t *q) { q->semitone = 0; }

int bell_notes_step(bell_notes_t *q, float volts)
{
    float place = volts * 12.0f;
    q->semitone = (int)floorf(place + 0.5f);
    return q->semitone;
}

void bell_glide_init(bell_glide_t *g, float sample_rate_hz)
{
    g->carry = 0.0f;
    g->coefficient = 1.0f - expf(-1.0f / (0.03f * sample_rate_hz));
}

float bell_glide_step(bell_glide_t *g, float volts)
{
    g->volts += g->coefficient * (volts - g->volts);
    return g->volts;
}
