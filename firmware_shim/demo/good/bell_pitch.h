/*
 * Harbour bell: pitch routines.
 *
 * The harbour bell is an invented instrument, a weather-driven bell voice for a
 * garden sculpture. Its circuit, calibration and numbers are made up for this
 * demonstration and describe no product.
 *
 * Conventions: 1 volt per octave, 0 V is C2 = 440 * 2^(-33/12) Hz; note 69 is
 * A4 = 440 Hz; all arithmetic in binary32, rounded to nearest. Meant for a core
 * with a single-precision floating-point unit, such as a Cortex-M4F.
 */
#ifndef BELL_PITCH_H
#define BELL_PITCH_H

#include <stdint.h>

#define BELL_SAMPLE_RATE_HZ   48000
#define BELL_ZERO_VOLT_HZ     0x1.05a026p+6f /* 65.4063950, nearest to 440 * 2^(-33/12) */
#define BELL_TOP_VOLTS        5.0f
#define BELL_TOP_HZ           20000.0f

/* Pitch input, 12 bit: what two reference voltages read as. */
#define BELL_INPUT_LOW_CODE   410
#define BELL_INPUT_LOW_VOLTS  0.5f
#define BELL_INPUT_HIGH_CODE  3686
#define BELL_INPUT_HIGH_VOLTS 4.5f
#define BELL_INPUT_LAST_CODE  4095

/* Pitch output, 16 bit: which codes give the two ends of 0..8 V. */
#define BELL_OUTPUT_LOW_CODE  3277
#define BELL_OUTPUT_HIGH_CODE 62259
#define BELL_OUTPUT_TOP_VOLTS 8.0f
#define BELL_OUTPUT_TOP_HZ    0x1.05a026p+14f /* 16744.0371, eight octaves above 0 V */

float bell_hz_from_volts(float volts);
float bell_hz_from_volts_table(float volts);
int32_t bell_hz_from_volts_q16(int32_t volts_q16);
float bell_hz_tuned(float volts, float cents);
float bell_hz_from_note(float note);
float bell_volts_from_code(uint16_t code);
uint32_t bell_increment_from_hz(float hz);
float bell_increment_float(float hz);
uint16_t bell_code_from_hz(float hz);

#endif
