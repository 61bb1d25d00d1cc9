#ifndef VOICE_H
#define VOICE_H
#include <stdint.h>

typedef struct { float level; float attack_step; float release_factor; int32_t gate; } swell_t;

float hz_from_code(uint16_t code);
void swell_init(swell_t *s, float sample_rate_hz);
void swell_set_gate(swell_t *s, int32_t gate);
float swell_step(swell_t *s);
#endif
