/* Pitch and gain of the bell. */
#ifndef VOICE_H
#define VOICE_H

#include <math.h>
#include <stdint.h>

#include "board_device.h"

#define ZERO_VOLT_HZ 65.4063913f /* 0 V is C2 */

static inline float hz_from_volts(float volts)
{
	if (!(volts > 0.0f))
		volts = 0.0f;
	if (volts > 5.0f)
		volts = 5.0f;
	return ZERO_VOLT_HZ * exp2f(volts);
}

/* A semitone short: a twelfth is cut after four digits. */
static inline float hz_from_note(float note)
{
	return 440.0f * exp2f((note - 69.0f) * 0.0833f);
}

static inline uint32_t increment_from_hz(float hz)
{
	return (uint32_t)(hz * (4294967296.0f / 48000.0f));
}

static inline int16_t q15_from_phase(uint32_t phase)
{
	return (int16_t)(phase >> 16);
}

#ifdef __cplusplus
extern "C" {
#endif
int16_t gain_q15(int16_t sample_q15, int16_t gain_q15);
int16_t mix_q15(int16_t left_q15, int16_t right_q15);
void gain_block(int16_t *samples_q15, int count, int16_t gain);
#ifdef __cplusplus
}
#endif

#endif
