/* The controller of the load in its place on the board, and how long its steps take: test_firmware.py. */
#include "control.h"

#include "load.h"
#include "ticks.h"

volatile uint32_t probe_fit, probe_steps, probe_known, probe_ticks_max;
volatile int64_t probe_speed;

static struct load load;
/* A brake of 40 N m, held at 150 rad/s. */
static const struct load_settings settings = {
    .rate_hz = CONTROL_HZ, .tick_hz = TICK_HZ, .teeth = 60, .window_teeth = 12, .inertia = 1 << 18,
    .firmness = 256, .hold = 2 * 65536, .approach = 5 * 256, .lead = 512, .lag = 10 * 256, .output_max = 65536,
    .map_speed = { 20 * 65536, 40 * 65536, 60 * 65536, 80 * 65536, 100 * 65536, 120 * 65536, 140 * 65536, 160 * 65536 },
    .map_torque = { 10 * 65536, 20 * 65536, 30 * 65536, 35 * 65536, 38 * 65536, 40 * 65536, 40 * 65536, 40 * 65536 },
    .output_for = { 0, 8192, 16384, 24576, 32768, 40960, 49152, 57344, 65536 },
    .stall = 5 * 65536, .speed_max = 300 * 65536, .engine_max = 40 * 65536, .torque_slew = 100 * 65536,
    .follow = 65536, .follow_steps = 100,
};

void control_start(void)
{
    probe_fit = load_settings_fit(&settings);
    load_start(&load, &settings);
}

void control_step(const struct control_inputs *inputs)
{
    static const struct load_demand hold = { .mode = LOAD_SPEED, .target = 150 * 65536 };
    /* A board starts cut, and a cut ends the load. */
    if (!load.is_armed && !inputs->cut) {
        load_arm(&load);
        load_set(&load, &hold);
    }
    struct load_inputs now = {
        .tick = inputs->tick, .tooth_tick = inputs->tooth_tick, .teeth = inputs->teeth, .cut = inputs->cut,
        .has_throttle = true, .throttle = 30000,
    };
    struct load_outputs outputs;
    load_step(&load, &now, &outputs);
    uint32_t took = ticks_now() - inputs->tick;
    if (took > probe_ticks_max)
        probe_ticks_max = took;
    probe_steps++;
    probe_known += load.unchanged == CONTROL_HZ;
    probe_speed = outputs.speed;
}
