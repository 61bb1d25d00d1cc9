/*
 * Harbour bell: pitch routines, first draft. An invented instrument; see
 * bell_pitch.h. Written before anything was checked: do not build on it.
 */
#include "bell_pitch.h"

#include <math.h>

/*
 * bell_hz_from_volts: frequency for a pitch voltage.
 * 12 semitones to the volt, each a twelfth of an octave.
 */
float bell_hz_from_volts(float volts)
{
	float semitones = volts * 12.0f;

	return BELL_ZERO_VOLT_HZ * powf(2.0f, semitones * 0.0833f);
}

/* One octave of ratios, four to the semitone, and the one that closes it. */
static const float octave_ratio[49] = {
	1.000000000f, 1.014545321f, 1.029302239f, 1.044273734f, 1.059463143f, 1.074873328f,
	1.090507746f, 1.106369495f, 1.122462034f, 1.138788581f, 1.155352712f, 1.172157645f,
	1.189207077f, 1.206504583f, 1.224053502f, 1.241857767f, 1.259921074f, 1.278246999f,
	1.296839595f, 1.315702558f, 1.334839821f, 1.354255557f, 1.373953700f, 1.393938303f,
	1.414213538f, 1.434783816f, 1.455653191f, 1.476826191f, 1.498307109f, 1.520100474f,
	1.542210817f, 1.564642787f, 1.587401032f, 1.610490322f, 1.633915424f, 1.657681346f,
	1.681792855f, 1.706255078f, 1.731073141f, 1.756252170f, 1.781797409f, 1.807714224f,
	1.834008098f, 1.860684395f, 1.887748599f, 1.915206552f, 1.943063855f, 1.971326351f,
	2.029090643f,
};

/*
 * bell_hz_from_volts_table: the same by table, a straight line between entries.
 * The top volt counts as the end of the fifth octave, so that no sixth is needed.
 */
float bell_hz_from_volts_table(float volts)
{
	float position, fraction, low, high;
	int octave, index;

	if (!(volts > 0.0f))
		volts = 0.0f;
	if (volts > BELL_TOP_VOLTS)
		volts = BELL_TOP_VOLTS;

	octave = (int)volts;
	if (octave > 4)
		octave = 4;
	position = (volts - (float)octave) * 48.0f;
	index = (int)position;
	fraction = position - (float)index;
	low = octave_ratio[index];
	high = octave_ratio[index + 1];

	return BELL_ZERO_VOLT_HZ * (low + (high - low) * fraction) * (float)(1 << octave);
}

/*
 * bell_hz_from_volts_q16: the same in Q16.16, no floating point.
 * The octave is found by a polynomial in Q30. Four spare bits are kept until the
 * octave has been multiplied in, so that its rounding does not grow with it.
 */
int32_t bell_hz_from_volts_q16(int32_t volts_q16)
{
	static const uint32_t coefficients_q30[6] = {
		2016033u, 9652230u, 59943053u, 257862983u, 744267445u, 1073741744u,
	};
	uint32_t fraction_q16, ratio_q30;
	int32_t hz_q20, octave_scale;
	int i, octave;

	if (volts_q16 < 0)
		volts_q16 = 0;
	if (volts_q16 > 5 * 65536)
		volts_q16 = 5 * 65536;
	octave = volts_q16 >> 16;
	fraction_q16 = (uint32_t)volts_q16 & 0xffffu;

	ratio_q30 = coefficients_q30[0];
	for (i = 1; i < 6; i++)
		ratio_q30 = coefficients_q30[i] + (uint32_t)(((uint64_t)ratio_q30 * fraction_q16) >> 16);

	/* 1097337155 is the frequency at 0 V in Q24 */
	hz_q20 = (int32_t)((UINT64_C(1097337155) * ratio_q30) >> 34);
	octave_scale = 1 << octave;
	hz_q20 = hz_q20 * octave_scale;
	return (hz_q20 + 8) >> 4;
}

/* 127 octaves of headroom: nothing multiplied in below can overflow. */
#define HEADROOM 0x1p-126f

/*
 * bell_hz_tuned: frequency for a pitch voltage and the fine-tune knob.
 * Reckoned from the middle of the range, F#4. A semitone either way is little
 * enough for a straight line: ln(2)/1200 for each cent.
 */
float bell_hz_tuned(float volts, float cents)
{
	float scaled;

	if (!(volts > 0.0f))
		volts = 0.0f;
	if (volts > BELL_TOP_VOLTS)
		volts = BELL_TOP_VOLTS;
	if (isnan(cents))
		cents = 0.0f;
	if (cents < -100.0f)
		cents = -100.0f;
	if (cents > 100.0f)
		cents = 100.0f;

	scaled = exp2f(volts - 2.5f) * HEADROOM;
	scaled = scaled * (1.0f + cents * 0.000577622650f);
	return 369.994423f * (scaled / HEADROOM);
}

/*
 * bell_hz_from_note: frequency of a note number, fractions allowed.
 * There are 127 notes, counted from 0.
 */
float bell_hz_from_note(float note)
{
	if (!(note > 0.0f))
		note = 0.0f;
	if (note > 126.0f)
		note = 126.0f;
	return 440.0f * exp2f((note - 69.0f) / 12.0f);
}

/* Pitch input in steps of 10 microvolts: what the two references span. */
#define INPUT_SPAN_10UV  (450000 - 50000)
#define INPUT_SPAN_CODES (BELL_INPUT_HIGH_CODE - BELL_INPUT_LOW_CODE)

/*
 * bell_volts_from_code: pitch voltage for a reading of the 12-bit converter.
 * In whole steps of 10 microvolts (0.012 cents), one conversion at the end.
 */
float bell_volts_from_code(uint16_t code)
{
	const int32_t gain_10uv = INPUT_SPAN_10UV / INPUT_SPAN_CODES;
	int32_t above_low;

	if (code > BELL_INPUT_LAST_CODE)
		code = BELL_INPUT_LAST_CODE;
	above_low = code - BELL_INPUT_LOW_CODE;
	return (float)(50000 + above_low * gain_10uv) / 100000.0f;
}

/*
 * bell_increment_from_hz: step of the 32-bit phase accumulator.
 * In double, as single precision has too few bits for it.
 */
uint32_t bell_increment_from_hz(float hz)
{
	if (!(hz > 0.0f))
		return 0;
	if (hz > BELL_TOP_HZ)
		hz = BELL_TOP_HZ;
	return (uint32_t)(hz * (4294967296.0 / 44100.0) + 0.5);
}

/*
 * bell_increment_float: step of a floating-point phase, in turns per sample.
 * One turn shared out over the samples of a period.
 */
float bell_increment_float(float hz)
{
	float period_samples;

	if (!(hz > 0.0f))
		hz = 0.0f;
	if (hz > BELL_TOP_HZ)
		hz = BELL_TOP_HZ;
	period_samples = (float)BELL_SAMPLE_RATE_HZ / hz;
	return 1.0f / period_samples;
}

/*
 * bell_code_from_hz: code of the 16-bit pitch output for a frequency.
 * 7372.75 codes to the volt, held to the converter's 0..8 V.
 */
uint16_t bell_code_from_hz(float hz)
{
	float volts = log2f(hz / BELL_ZERO_VOLT_HZ);

	if (volts < 0.0f)
		volts = 0.0f;
	if (volts > BELL_OUTPUT_TOP_VOLTS)
		volts = BELL_OUTPUT_TOP_VOLTS;
	return (uint16_t)((float)BELL_OUTPUT_LOW_CODE + 7372.75f * volts);
}
