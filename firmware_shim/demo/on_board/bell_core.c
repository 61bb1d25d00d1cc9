/*
 * Harbour bell: three routines that meet the core itself. An invented instrument;
 * its circuit, numbers and code are made up for this demonstration.
 */
#include <math.h>
#include <stdint.h>

/* Mean wind of eight readings, in 1/65536 m/s. */
int32_t bell_wind_mean_q16(int32_t reading)
{
	int64_t sum = 0;

	for (int i = 0; i < 8; i++)
		sum += (int64_t)reading * 98304;
	return (int32_t)(sum / 8);
}

/* What is left of the swing at a lean of the sculpture: sqrt(limit^2 - lean^2). */
float bell_swing_left(float lean)
{
	float left = (0.7f - lean) * (0.7f + lean);

	return left > 0.0f ? sqrtf(left) : 0.0f;
}

/* Loudness of a strike from its speed. */
float bell_loudness(float speed)
{
	return 0.5f + 0.125f * speed * (1.0f + 0.0625f * speed);
}
