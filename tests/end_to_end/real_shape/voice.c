#include "voice.h"

#include "calibration.h"
#include "drivers/board_gpio.h"

static uint32_t blocks;

float volts_from_code(const calibration_t *calibration, uint16_t code)
{
	float span_volts = calibration->high_volts - calibration->low_volts;
	float span_codes = (float)(calibration->high_code - calibration->low_code);

	return calibration->low_volts + (float)(code - calibration->low_code) * (span_volts / span_codes);
}

int16_t gain_q15(int16_t sample_q15, int16_t gain)
{
	return (int16_t)__SSAT(((int32_t)sample_q15 * gain) >> 15, 16);
}

/* Meant to saturate; the sum is cut to 16 bits before. */
int16_t mix_q15(int16_t left_q15, int16_t right_q15)
{
	return (int16_t)__SSAT((int16_t)(left_q15 + right_q15), 16);
}

void gain_block(int16_t *samples_q15, int count, int16_t gain)
{
	int i;

	__disable_irq();
	for (i = 0; i < count; i++)
		samples_q15[i] = gain_q15(samples_q15[i], gain);
	blocks++;
	gpio_toggle(GPIOB, GPIO_PIN_5);
	__enable_irq();
}
