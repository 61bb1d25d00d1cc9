/* Harbour bell: the way of a pitch. The input reads a little beyond 0 and 5 V, so that both ends are surely reached. */
#include "bell_path.h"

#include <math.h>

float bell_input_volts(uint16_t code)
{
	float volts = (float)code * (5.1f / 16384.0f) - 0.05f;

	if (volts < 0.0f)
		return 0.0f;
	return volts < 5.0f ? volts : 5.0f;
}

void bell_calibrate(bell_calibration_t *cal, uint16_t low, uint16_t high)
{
	cal->volts_per_code = 3.0f / (float)((int32_t)high - (int32_t)low);
	cal->volts_at_zero = 1.0f - (float)low * cal->volts_per_code;
}

float bell_calibrated_volts(const bell_calibration_t *cal, uint16_t code)
{
	return (float)code * cal->volts_per_code + cal->volts_at_zero;
}

float bell_input_hz(float volts)
{
	return 65.40639132514966f * exp2f(volts);
}

/* hz * 2^32/48000, rounded to nearest: all in 64-bit integers. */
uint32_t bell_chime_increment(float hz)
{
	uint64_t hz_q17 = (uint64_t)(hz * 131072.0f); /* exact: a float from 64 Hz up has no bits below 2^-17 */

	return (uint32_t)((hz_q17 * 32768u + 24000u) / 48000u);
}

void bell_chime_init(bell_chime_t *chime)
{
	*chime = (bell_chime_t){0};
}

void bell_chime_set(bell_chime_t *chime, uint32_t increment)
{
	chime->increment = increment;
}

float bell_chime_step(bell_chime_t *chime)
{
	float turns;

	chime->phase += chime->increment;
	turns = (float)(int32_t)chime->phase * 0x1p-32f;
	return sinf(turns * 6.28318531f);
}
