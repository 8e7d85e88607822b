/* What is checked before the engine may run, and how the board came to start. */
#ifndef SELFTEST_H
#define SELFTEST_H

#include <stdbool.h>

/* Whether the supply came on. Not so after a watchdog, a brown-out, the reset pin, or a bootloader
 * that hides the cause. */
bool selftest_was_power_on(void);

/* Program memory, RAM, supply, clock, and whether the run output stays low. */
bool selftest_passed(void);

/* Whether the stack has ever reached the variables below it. */
bool selftest_stack_intact(void);

#endif
