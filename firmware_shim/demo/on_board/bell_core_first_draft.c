/*
 * Harbour bell: three routines that meet the core itself, first draft. An invented
 * instrument. Written before anything was checked: do not build on it.
 */
#include <math.h>
#include <stdint.h>

/* Mean wind of eight readings, in 1/65536 m/s. */
int32_t bell_wind_mean_q16(int32_t reading)
{
	long sum = 0;

	for (int i = 0; i < 8; i++)
		sum += (long)reading * 98304;
	return (int32_t)(sum / 8);
}

/* What is left of the swing at a lean of the sculpture: sqrt(limit^2 - lean^2). */
float bell_swing_left(float lean)
{
	return sqrtf(0.7f * 0.7f - lean * lean);
}

/* Loudness of a strike from its speed. */
float bell_loudness(float speed)
{
	return 0.5 + 0.125 * speed * (1.0 + 0.0625 * speed);
}
