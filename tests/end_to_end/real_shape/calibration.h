/* What two reference voltages read as on the pitch input. */
#ifndef CALIBRATION_H
#define CALIBRATION_H

#include <stdint.h>

typedef struct {
	uint16_t low_code;
	float low_volts;
	uint16_t high_code;
	float high_volts;
} calibration_t;

#ifdef __cplusplus
extern "C"
#endif
float volts_from_code(const calibration_t *calibration, uint16_t code);

#endif
