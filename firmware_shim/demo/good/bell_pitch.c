/*
 * Harbour bell: pitch routines. An invented instrument; see bell_pitch.h.
 *
 * "Error" is the largest distance from the exact formula at the given input,
 * rounding to nearest, on a host whose exp2f and log2f keep within 0.876 and
 * 1.65 ULP (both the common C libraries and the older code linked for cores
 * without double-precision hardware do).
 */
#include "bell_pitch.h"

#include <math.h>
#include <string.h>

/* isgreater and isless are quiet: a NaN takes the low end and raises no flag. */
static float clamped(float value, float low, float high)
{
	if (!isgreater(value, low))
		return low;
	return isless(value, high) ? value : high;
}

/*
 * bell_hz_from_volts: frequency for a pitch voltage.
 *
 * Formula: 440 * 2^(-33/12) * 2^volts
 * Domain:  volts in [0, 5]
 * Outside: nearest end; NaN gives 0 V
 * Error:   0.0004 cents
 * Source:  A4 = 440 Hz, equal temperament; 0 V is C2
 */
float bell_hz_from_volts(float volts)
{
	return BELL_ZERO_VOLT_HZ * exp2f(clamped(volts, 0.0f, BELL_TOP_VOLTS));
}

#define SEGMENTS 64

/* 65.40639132514966 * 2^(k/64) for k = 0..63; the guard entry is exactly twice
 * the first, so that the scaled octaves join without a step. */
static const float octave_hz[SEGMENTS + 1] = {
	0x1.05a026p+6f, 0x1.087978p+6f, 0x1.0b5abcp+6f, 0x1.0e4406p+6f,  /*  0: 65.406395, 66.118622, 66.838608, 67.566429 */
	0x1.11356ep+6f, 0x1.142f0cp+6f, 0x1.1730f4p+6f, 0x1.1a3b3ep+6f,  /*  4: 68.302177, 69.045944, 69.797806, 70.557854 */
	0x1.1d4ep+6f, 0x1.206956p+6f, 0x1.238d54p+6f, 0x1.26ba14p+6f,  /*  8: 71.326172, 72.102867, 72.888016, 73.681717 */
	0x1.29efacp+6f, 0x1.2d2e38p+6f, 0x1.3075cep+6f, 0x1.33c68ap+6f,  /* 12: 74.484055, 75.295135, 76.115044, 76.943886 */
	0x1.372082p+6f, 0x1.3a83d2p+6f, 0x1.3df096p+6f, 0x1.4166e4p+6f,  /* 16: 77.781746, 78.628731, 79.484947, 80.350479 */
	0x1.44e6dap+6f, 0x1.48709p+6f, 0x1.4c0424p+6f, 0x1.4fa1bp+6f,  /* 20: 81.225441, 82.109924, 83.004044, 83.907898 */
	0x1.53495p+6f, 0x1.56fb2p+6f, 0x1.5ab73ep+6f, 0x1.5e7dc4p+6f,  /* 24: 84.821594, 85.745239, 86.678947, 87.622818 */
	0x1.624edp+6f, 0x1.662a82p+6f, 0x1.6a10f2p+6f, 0x1.6e0244p+6f,  /* 28: 88.576965, 89.541512, 90.516548, 91.502213 */
	0x1.71fe92p+6f, 0x1.7605fep+6f, 0x1.7a18a4p+6f, 0x1.7e36a4p+6f,  /* 32: 92.498604, 93.505852, 94.524063, 95.553360 */
	0x1.82602p+6f, 0x1.869534p+6f, 0x1.8ad604p+6f, 0x1.8f22aep+6f,  /* 36: 96.593872, 97.645706, 98.709000, 99.783867 */
	0x1.937b56p+6f, 0x1.97e01ap+6f, 0x1.9c512p+6f, 0x1.a0ce84p+6f,  /* 40: 100.870445, 101.968849, 103.079224, 104.201675 */
	0x1.a5586ep+6f, 0x1.a9efp+6f, 0x1.ae925cp+6f, 0x1.b342a4p+6f,  /* 44: 105.336357, 106.483398, 107.642929, 108.815079 */
	0x1.b8p+6f, 0x1.bcca92p+6f, 0x1.c1a27ep+6f, 0x1.c687ecp+6f,  /* 48: 110.000000, 111.197823, 112.408684, 113.632736 */
	0x1.cb7bp+6f, 0x1.d07bep+6f, 0x1.d58ab2p+6f, 0x1.daa79ep+6f,  /* 52: 114.870117, 116.120972, 117.385445, 118.663689 */
	0x1.dfd2cap+6f, 0x1.e50c6p+6f, 0x1.ea5486p+6f, 0x1.efab66p+6f,  /* 56: 119.955849, 121.262085, 122.582542, 123.917381 */
	0x1.f51126p+6f, 0x1.fa85f4p+6f, 0x1.0004fcp+7f, 0x1.02ceaep+7f,  /* 60: 125.266747, 126.630814, 128.009735, 129.403671 */
	0x1.05a026p+7f /* 64: 130.812790 */
};

/*
 * bell_hz_from_volts_table: the same by one octave of table and a straight line.
 *
 * Formula: 440 * 2^(-33/12) * 2^volts
 * Domain:  volts in [0, 5]
 * Outside: nearest end; NaN gives 0 V
 * Error:   0.026 cents
 * Method:  64 segments to the octave. A chord of 2^x over h = 1/64 lies above it
 *          by at most h^2/8 * (ln 2)^2 = 1.47e-5, which is 0.0254 cents; the rest
 *          is rounding.
 * Order:   never falls. Position, fraction and table difference are exact (the
 *          difference by Sterbenz's lemma), so within a segment each rounding
 *          keeps the order, and at its end the line meets the next entry.
 * Source:  entries computed at 200 bits and rounded to nearest
 */
float bell_hz_from_volts_table(float volts)
{
	float position = clamped(volts, 0.0f, BELL_TOP_VOLTS) * SEGMENTS;
	int segment = (int)position;
	float fraction = position - (float)segment;
	int octave = segment / SEGMENTS;
	int index = segment % SEGMENTS; /* at most 63: index + 1 is inside the table */
	float low_hz = octave_hz[index];
	float high_hz = octave_hz[index + 1];

	return (low_hz + (high_hz - low_hz) * fraction) * (float)(1 << octave);
}

/*
 * bell_hz_from_volts_q16: the same without floating point.
 *
 * Formula: 440 * 2^(-33/12) * 2^volts, volts and result in Q16.16
 * Domain:  volts_q16 in [0, 327680], which is [0, 5] V
 * Outside: nearest end
 * Error:   0.0004 cents
 * Method:  2^x on [0, 1) by a polynomial of order 5, coefficients in Q30, within
 *          7.5e-8 relative (0.00013 cents); the product with 0 V's frequency in
 *          Q24 stays below 2^62. The result's own step, 2^-16 Hz, is 0.0004
 *          cents at 0 V.
 * Order:   rises at every step: one step of volts is at least 45 steps of Hz.
 * Source:  coefficients least in the largest relative error (exchange algorithm)
 */
int32_t bell_hz_from_volts_q16(int32_t volts_q16)
{
	static const uint32_t coefficients_q30[6] = {
		2016033u,    /* 0.00187757677 */
		9652230u,    /* 0.00898933988 */
		59943053u,   /* 0.0558263182 */
		257862983u,  /* 0.240153617 */
		744267445u,  /* 0.693153073 */
		1073741744u, /* 0.999999925 */
	};
	const uint64_t zero_volt_hz_q24 = 1097337155u; /* 65.40639132514966 * 2^24 */
	const int32_t top_volts_q16 = 5 * 65536;
	uint32_t fraction_q16, ratio_q30, octave;
	uint64_t product_q54;
	int i;

	if (volts_q16 < 0)
		volts_q16 = 0;
	if (volts_q16 > top_volts_q16)
		volts_q16 = top_volts_q16;
	octave = (uint32_t)volts_q16 >> 16;
	fraction_q16 = (uint32_t)volts_q16 & 0xffffu;

	ratio_q30 = coefficients_q30[0];
	for (i = 1; i < 6; i++)
		ratio_q30 = coefficients_q30[i] + (uint32_t)(((uint64_t)ratio_q30 * fraction_q16) >> 16);

	/* Q54 to Q16 is 38 places down, less the octaves up; half a step rounds. */
	product_q54 = zero_volt_hz_q24 * ratio_q30;
	return (int32_t)((product_q54 + (UINT64_C(1) << (37 - octave))) >> (38 - octave));
}

/*
 * bell_hz_tuned: frequency for a pitch voltage and the fine-tune knob.
 *
 * Formula: 440 * 2^(-33/12) * 2^(volts + cents/1200)
 * Domain:  volts in [0, 5], cents in [-100, 100]
 * Outside: nearest end of each; NaN volts give 0 V, NaN cents give 0 cents
 * Error:   0.0008 cents
 * Source:  definition of the cent: 1200 to the octave
 */
float bell_hz_tuned(float volts, float cents)
{
	float octaves = clamped(volts, 0.0f, BELL_TOP_VOLTS);

	if (!isnan(cents))
		octaves += clamped(cents, -100.0f, 100.0f) * 0x1.b4e81cp-11f; /* 1/1200 */
	return BELL_ZERO_VOLT_HZ * exp2f(octaves);
}

/*
 * bell_hz_from_note: frequency of a note number, fractions allowed.
 *
 * Formula: 440 * 2^((note - 69)/12)
 * Domain:  note in [0, 127]
 * Outside: nearest end; NaN gives note 0
 * Error:   0.0012 cents
 *          Most of it is note - 69, which rounds where note has more places than fit.
 * Source:  note 69 is A4 = 440 Hz, twelve equal semitones to the octave
 */
float bell_hz_from_note(float note)
{
	return 440.0f * exp2f((clamped(note, 0.0f, 127.0f) - 69.0f) * 0x1.555556p-4f); /* 1/12 */
}

/*
 * bell_volts_from_code: pitch voltage for a reading of the 12-bit converter.
 *
 * Formula: 0.5 + (code - 410) * 4 / 3276
 * Domain:  code in 0..4095, which is -0.000611 V to 4.999389 V
 * Outside: codes above 4095 read as 4095
 * Error:   0.0000006 volts
 * Source:  two-point calibration in bell_pitch.h
 */
float bell_volts_from_code(uint16_t code)
{
	const float volts_per_code = (BELL_INPUT_HIGH_VOLTS - BELL_INPUT_LOW_VOLTS) /
				     (float)(BELL_INPUT_HIGH_CODE - BELL_INPUT_LOW_CODE);
	int32_t above_low = (code < BELL_INPUT_LAST_CODE ? code : BELL_INPUT_LAST_CODE) -
			    BELL_INPUT_LOW_CODE;

	return BELL_INPUT_LOW_VOLTS + (float)above_low * volts_per_code;
}

/*
 * bell_increment_from_hz: step of the 32-bit phase accumulator.
 *
 * Formula: hz * 2^32 / 48000, rounded to nearest
 * Domain:  hz in [0, 20000]
 * Outside: above 20000 Hz as 20000 Hz; negative and NaN give 0
 * Error:   0.5 lsb
 * Method:  hz is m * 2^(e - 23) with m of 24 bits, and 2^32/48000 = 2^25/375, so the
 *          step is m * (2^48/375) / 2^(46 - e). The constant in brackets has 40
 *          bits, the product 64; single precision would be up to 64 steps off.
 * Source:  phase accumulator of 32 bits at 48000 Hz
 */
uint32_t bell_increment_from_hz(float hz)
{
	const uint64_t reciprocal = UINT64_C(750599937895); /* 2^48 / 375 */
	uint32_t bits, mantissa;
	int exponent;

	if (!isgreater(hz, 0x1p-18f)) /* below: less than half a step */
		return 0;
	if (!isless(hz, BELL_TOP_HZ))
		hz = BELL_TOP_HZ;
	memcpy(&bits, &hz, sizeof bits);
	exponent = (int)(bits >> 23) - 127; /* in -18..14, so the shift is 31..63 */
	mantissa = (bits & 0x7fffffu) | 0x800000u;
	return (uint32_t)((((mantissa * reciprocal) >> (45 - exponent)) + 1) >> 1);
}

/*
 * bell_increment_float: step of a floating-point phase, in turns per sample.
 *
 * Formula: hz / 48000
 * Domain:  hz in [0, 20000]
 * Outside: above 20000 Hz as 20000 Hz; negative and NaN give 0
 * Error:   0.5 ulp
 *          A division, as the product with 1/48000 would round twice.
 * Source:  48000 samples per second
 */
float bell_increment_float(float hz)
{
	return clamped(hz, 0.0f, BELL_TOP_HZ) / (float)BELL_SAMPLE_RATE_HZ;
}

/*
 * bell_code_from_hz: code of the 16-bit pitch output for a frequency.
 *
 * Formula: 3277 + 7372.75 * log2(hz / 65.40639132514966), rounded to nearest
 * Domain:  hz in [65.40639, 16744.04], which is 0..8 V
 * Outside: nearest end; NaN gives the code of 0 V
 * Error:   0.512 lsb
 * Source:  two-point calibration in bell_pitch.h: 58982 codes for 8 V
 */
uint16_t bell_code_from_hz(float hz)
{
	const float codes_per_volt = (float)(BELL_OUTPUT_HIGH_CODE - BELL_OUTPUT_LOW_CODE) /
				     BELL_OUTPUT_TOP_VOLTS; /* 7372.75 exactly */
	float within_hz = clamped(hz, BELL_ZERO_VOLT_HZ, BELL_OUTPUT_TOP_HZ);
	float volts = log2f(within_hz * 0x1.f4fda4p-7f); /* 1/65.40639132514966 */

	return (uint16_t)(codes_per_volt * volts + ((float)BELL_OUTPUT_LOW_CODE + 0.5f));
}
