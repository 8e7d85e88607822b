/* A controller that does nothing but take its whole budget, and notes when it was called: test_firmware.py. */
#include "control.h"

#include "ticks.h"

volatile uint32_t probe_steps, probe_late_ticks, probe_teeth;
static uint32_t last_tick;
static uint8_t last_teeth;

void control_start(void)
{
    last_tick = ticks_now();
}

void control_step(const struct control_inputs *inputs)
{
    uint32_t since = inputs->tick - last_tick;
    last_tick = inputs->tick;
    probe_teeth += (uint8_t)(inputs->teeth - last_teeth);
    last_teeth = inputs->teeth;
    /* The first is due at once. */
    if (probe_steps++ > 1 && since > TICK_HZ / CONTROL_HZ && since - TICK_HZ / CONTROL_HZ > probe_late_ticks)
        probe_late_ticks = since - TICK_HZ / CONTROL_HZ;
    while (ticks_now() - inputs->tick < CONTROL_BUDGET_US * (TICK_HZ / 1000000))
        ;
}
