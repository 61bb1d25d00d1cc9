#include <math.h>
#include "voice.h"

/* 12-bit converter, 0 to 5 V, C2 at 0 V. */
float hz_from_code(uint16_t code)
{
    float volts = code * (5.0f / 4096.0f);
    return 65.406391f * powf(2.0f, volts);
}

void swell_init(swell_t *s, float sample_rate_hz)
{
    s->level = 0.0f;
    s->attack_step = 1.0f / (0.020f * sample_rate_hz);
    s->release_factor = expf(-1.0f / (0.300f * sample_rate_hz));
    s->gate = 0;
}

void swell_set_gate(swell_t *s, int32_t gate)
{
    if (gate && !s->gate)
        s->level = 0.0f;
    s->gate = gate;
}

float swell_step(swell_t *s)
{
    if (s->gate) {
        s->level += s->attack_step;
        if (s->level > 1.0f)
            s->level = 1.0f;
    } else {
        s->level *= s->release_factor;
    }
    return s->level;
}
