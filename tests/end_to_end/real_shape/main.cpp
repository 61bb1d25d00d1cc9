// Harbour bell, whole firmware as it is flashed. An invented instrument; the board's own headers are not here.
#include "board_device.h"
#include "drivers/board_gpio.h"

#include "calibration.h"
#include "envelope.hpp"
#include "voice.h"

namespace {

calibration_t calibration = {410, 0.5f, 3686, 4.5f};
GPIO_InitTypeDef lamp;
uint32_t phase;
Strike strike;

}  // namespace

extern "C" void ADC_IRQHandler(void)
{
	const uint16_t code = static_cast<uint16_t>(ADC1->DR);
	const float hz = hz_from_volts(volts_from_code(&calibration, code));

	phase += increment_from_hz(hz);
	DAC1->DHR12R1 = __USAT(2048 + (q15_from_phase(phase) >> 4), 12);
	__DSB();
}

int main()
{
	board_init();
	lamp.Pin = GPIO_PIN_5;
	lamp.Mode = GPIO_MODE_OUTPUT;
	gpio_setup(GPIOB, &lamp);
	strike.init(48000.0f);
	__enable_irq();
	for (;;) {
		__WFI();
	}
}
