/* Harbour bell, parts that live in time. See bell_time.h. */
#include "bell_time.h"

#include <math.h>

enum { RINGING, RISING }; /* at rest it rings at 0 */

static const float SILENCE = 1e-5f;         /* -100 dB: below it the bell is off */
static const float LOG2_OF_60_DB = 9.9657843f; /* log2(1000) */

static float faded(float level, float ratio)
{
    level *= ratio;
    return level < SILENCE ? 0.0f : level;
}

void bell_strike_init(bell_strike_t *s, float sample_rate_hz)
{
    *s = (bell_strike_t){.rate = sample_rate_hz, .attack_seconds = 0.002f, .decay_seconds = 0.5f};
}

void bell_strike_set_attack(bell_strike_t *s, float seconds) { s->attack_seconds = seconds; }
void bell_strike_set_decay(bell_strike_t *s, float seconds) { s->decay_seconds = seconds; }

void bell_strike_hit(bell_strike_t *s)
{
    s->step = 1.0f / (s->attack_seconds * s->rate);
    s->phase = RISING; /* from the present level: a new strike must not click */
}

float bell_strike_step(bell_strike_t *s)
{
    if (s->phase == RISING) {
        s->level += s->step;
        if (s->level >= 1.0f) {
            s->level = 1.0f;
            s->ratio = exp2f(-LOG2_OF_60_DB / (s->decay_seconds * s->rate));
            s->phase = RINGING;
        }
    } else {
        s->level = faded(s->level, s->ratio);
    }
    return s->level;
}

/* 15 bits of level and 15 more below them, so that slow decays keep their time. */
enum { TOP = 32767 << 15 };

void bell_strike_q15_init(bell_strike_q15_t *s, float sample_rate_hz)
{
    *s = (bell_strike_q15_t){.up = (int32_t)((float)TOP / (0.002f * sample_rate_hz)),
                             .down = (int32_t)((float)TOP / (0.5f * sample_rate_hz))};
}

void bell_strike_q15_hit(bell_strike_q15_t *s) { s->phase = RISING; }

int16_t bell_strike_q15_step(bell_strike_q15_t *s)
{
    if (s->phase == RISING) {
        s->level += s->up;
        if (s->level >= TOP) {
            s->level = TOP;
            s->phase = RINGING;
        }
    } else {
        s->level -= s->level < s->down ? s->level : s->down;
    }
    return (int16_t)(s->level >> 15);
}

void bell_wind_init(bell_wind_t *w, float sample_rate_hz)
{
    *w = (bell_wind_t){.coefficient = 1.0f - expf(-1.0f / (0.05f * sample_rate_hz))};
}

/* One step towards a target. What a float sum rounds away is carried to the next step: else the level would stop short
   of its target. A gap that nobody can measure ends at once: else a tail would fall into subnormals. */
static float approach(float *level, float *carry, float target, float coefficient)
{
    float gap = target - *level, add = coefficient * gap + *carry, next = *level + add;
    *carry = add - (next - *level);
    *level = next;
    if (fabsf(gap) < 1e-12f) {
        *level = target;
        *carry = 0.0f;
    }
    return *level;
}

float bell_wind_step(bell_wind_t *w, float wind) { return approach(&w->level, &w->carry, wind, w->coefficient); }

void bell_wind_block(bell_wind_t *w, const float *wind, float *smooth, int n)
{
    for (int i = 0; i < n; i++)
        smooth[i] = bell_wind_step(w, wind[i]);
}

void bell_wind_q31_init(bell_wind_q31_t *w, float sample_rate_hz)
{
    *w = (bell_wind_q31_t){.coefficient = (int32_t)((1.0f - expf(-1.0f / (0.05f * sample_rate_hz))) * 2147483648.0f)};
}

int32_t bell_wind_q31_step(bell_wind_q31_t *w, int32_t wind)
{
    /* |wind - level| < 2^32 and the coefficient is below 2^22: the product stays below 2^54. */
    int64_t gap = (int64_t)wind - (w->level >> 31);
    w->level += gap * w->coefficient;
    return (int32_t)(w->level >> 31); /* a gap of 0 is seen here too, so that it stands exactly at its target */
}

void bell_shutter_init(bell_shutter_t *s, float sample_rate_hz)
{
    *s = (bell_shutter_t){.step = 4.0f / sample_rate_hz};
}

float bell_shutter_step(bell_shutter_t *s, float target)
{
    float gap = target - s->position;
    if (gap > s->step)
        s->position += s->step;
    else if (gap < -s->step)
        s->position -= s->step;
    else
        s->position = target;
    return s->position;
}

void bell_gate_init(bell_gate_t *g, float sample_rate_hz)
{
    *g = (bell_gate_t){.least = (uint32_t)(sample_rate_hz / 500.0f)};
}

int bell_gate_step(bell_gate_t *g, float volts)
{
    if (volts >= 1.6f) {
        if (!g->on)
            g->left = g->least;
        g->on = 1;
    } else if (volts <= 1.2f) {
        g->on = 0;
    }
    if (g->left > 0) {
        g->left--;
        return 1;
    }
    return g->on;
}

void bell_lamp_init(bell_lamp_t *l, float sample_rate_hz)
{
    *l = (bell_lamp_t){.ratio = exp2f(-LOG2_OF_60_DB / sample_rate_hz), .hold = (uint32_t)(0.1f * sample_rate_hz)};
}

void bell_lamp_hit(bell_lamp_t *l)
{
    l->level = 1.0f;
    l->left = l->hold;
}

float bell_lamp_step(bell_lamp_t *l)
{
    if (l->left)
        l->left--;
    else
        l->level = faded(l->level, l->ratio);
    return l->level;
}

void bell_notes_init(bell_notes_t *q) { q->semitone = 0; }

int bell_notes_step(bell_notes_t *q, float volts)
{
    float place = volts * 12.0f;
    if (fabsf(place - (float)q->semitone) > 0.56f) /* half a semitone and 5 mV */
        q->semitone = (int)floorf(place + 0.5f);
    return q->semitone;
}

void bell_glide_init(bell_glide_t *g, float sample_rate_hz)
{
    *g = (bell_glide_t){.coefficient = 1.0f - expf(-1.0f / (0.03f * sample_rate_hz))};
}

float bell_glide_step(bell_glide_t *g, float volts)
{
    return approach(&g->volts, &g->carry, volts, g->coefficient);
}
