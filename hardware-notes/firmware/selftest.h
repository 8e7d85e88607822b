/* What is checked before the engine may run, and how the board came to start. */
#ifndef SELFTEST_H
#define SELFTEST_H

#include <stdbool.h>
#include <stdint.h>

/* Whether the supply came on. Not so after a watchdog, a brown-out, the reset pin, or a bootloader
 * that hides the cause. */
bool selftest_was_power_on(void);

/* Program, RAM, supply, clock, and whether the run output stays low. */
bool selftest_passed(void);

/* What the start of the program leaves wherever the stack may go. */
#define STACK_PAINT 0xC5

/* Given by the linker: the last byte the stack may use. */
extern uint8_t stack_end;

/* Whether the stack has never reached it. */
static inline bool selftest_stack_intact(void)
{
    return *(volatile uint8_t *)&stack_end == STACK_PAINT;
}

#endif
