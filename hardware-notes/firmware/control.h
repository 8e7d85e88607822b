/* The place for a controller of the load: a brake's set point, from the drum's speed and the force.
 *
 * `make CONTROL=path/to/control.c` builds one in. Without it nothing of this is in the program.
 *
 * Its budget: the main loop calls control_step() CONTROL_HZ times a second, at most one turn late (1 ms, see the
 * README), and a step may take CONTROL_BUDGET_US. It runs with interrupts on, so teeth are timed and an overspeed
 * is cut meanwhile, but the heartbeat, the host's cut and temperatures wait for it. It must not wait for
 * anything. The run pin and the cut are not its own: when `cut` is true it has to bring the load to what is safe
 * without an engine. */
#ifndef CONTROL_H
#define CONTROL_H

#include <stdbool.h>
#include <stdint.h>

#ifndef CONTROL_HZ
#ifdef BRAKE
#define CONTROL_HZ 1000
#else
#define CONTROL_HZ 500
#endif
#endif
#define CONTROL_BUDGET_US 300

struct control_inputs {
    uint32_t tick;       /* now */
    uint32_t tooth_tick; /* of the latest tooth of pickup 0 */
    uint8_t teeth;       /* how many there were so far, of pickup 0; wraps */
    bool force_is_known;
    uint32_t force_tick; /* of the latest conversion's middle */
    int32_t force_counts;
    bool cut;
};

void control_start(void);
void control_step(const struct control_inputs *inputs);

#endif
