/* Harbour bell, first draft: the way of a pitch. Each routine was tried by itself, the way never. Do not build on it. */
#include "bell_path.h"

#include <math.h>

float bell_input_volts(uint16_t code)
{
	return (float)code * (5.1f / 16384.0f) - 0.05f; /* what the input really reads */
}

void bell_calibrate(bell_calibration_t *cal, uint16_t low, uint16_t high)
{
	cal->volts_per_code = 3.0f / (float)((int32_t)high - (int32_t)low);
	cal->volts_at_zero = 1.0f - (float)low * (5.1f / 16384.0f);
}

float bell_calibrated_volts(const bell_calibration_t *cal, uint16_t code)
{
	return (float)code * cal->volts_per_code + cal->volts_at_zero;
}

float bell_input_hz(float volts)
{
	if (!(volts > 0.0f))
		volts = 0.0f;
	if (volts > 5.0f)
		volts = 5.0f;
	return 65.40639132514966f * exp2f(volts);
}

uint32_t bell_chime_increment(float hz)
{
	uint64_t hz_q17 = (uint64_t)(hz * 131072.0f);

	return (uint32_t)((hz_q17 * 32768u + 24000u) / 48000u);
}

void bell_chime_init(bell_chime_t *chime)
{
	chime->phase = 0;
	chime->increment = 0;
}

void bell_chime_set(bell_chime_t *chime, uint32_t increment)
{
	chime->increment = increment & ~0xffffu; /* the phase is kept in 16 bits, those of the converter */
}

float bell_chime_step(bell_chime_t *chime)
{
	float turns;

	chime->phase += chime->increment;
	turns = (float)(int32_t)chime->phase * 0x1p-32f;
	return sinf(turns * 6.28318531f);
}
