/* Runs the board's loop on the numbers of a test: settings first, then events, one a line. */
#include <inttypes.h>
#include <stdio.h>

#include "load.h"

static int64_t number(void)
{
    int64_t value = 0;
    return scanf("%" SCNd64, &value) == 1 ? value : 0;
}

int main(void)
{
    struct load_settings set;
    static struct load load;
    char event;
    while (scanf(" %c", &event) == 1) {
        if (event == 'b') {
            int64_t *fields = (int64_t *)&set;
            for (unsigned i = 0; i < sizeof set / sizeof *fields; i++)
                fields[i] = number();
            printf("%d\n", load_settings_fit(&set));
            load_start(&load, &set);
        } else if (event == 'a') {
            load_arm(&load);
        } else if (event == 'd') {
            load_disarm(&load);
        } else if (event == 'm') {
            struct load_demand demand = { .mode = number() };
            demand.target = number();
            demand.rate = number();
            demand.square = number();
            load_set(&load, &demand);
        } else {
            struct load_inputs inputs = { .tick = number() };
            inputs.tooth_tick = number();
            inputs.teeth = number();
            inputs.has_measured = number();
            inputs.measured = number();
            inputs.has_torque = number();
            inputs.torque = number();
            inputs.has_throttle = number();
            inputs.throttle = number();
            inputs.cut = number();
            inputs.too_hot = number();
            inputs.no_supply = number();
            struct load_outputs outputs;
            load_step(&load, &inputs, &outputs);
            printf("%" PRId64 " %d %" PRId64 " %" PRId64 " %" PRId64 " %" PRId64 " %d %d %d %d\n", outputs.output,
                   outputs.wants_cut, outputs.torque, outputs.speed, outputs.reference, outputs.engine,
                   outputs.saturated, outputs.holds, outputs.why, outputs.backed_off);
        }
    }
    return 0;
}
