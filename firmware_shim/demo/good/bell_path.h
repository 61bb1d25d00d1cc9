/* Harbour bell: the whole way of a pitch, from the 14-bit pitch input to the chime. An invented instrument. */
#ifndef BELL_PATH_H
#define BELL_PATH_H

#include <stdint.h>

typedef struct {
	float volts_per_code;
	float volts_at_zero;
} bell_calibration_t;

typedef struct {
	uint32_t phase;
	uint32_t increment; /* 2^32 steps are one turn */
} bell_chime_t;

float bell_input_volts(uint16_t code);       /* -0.05 V at code 0, 5.05 V at 16384 */
void bell_calibrate(bell_calibration_t *cal, uint16_t low, uint16_t high); /* read at 1 V and at 4 V */
float bell_calibrated_volts(const bell_calibration_t *cal, uint16_t code);
float bell_input_hz(float volts);            /* 0 V is C2 */
uint32_t bell_chime_increment(float hz);     /* at 48000 samples per second */
void bell_chime_init(bell_chime_t *chime);
void bell_chime_set(bell_chime_t *chime, uint32_t increment);
float bell_chime_step(bell_chime_t *chime);

#endif
