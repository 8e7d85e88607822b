/* What outlasts the supply: identity, ceiling, number of starts. With CRCs. */
#ifndef MEMORY_H
#define MEMORY_H

#include <stdbool.h>
#include <stdint.h>

#include "guard.h"

struct memory {
    uint64_t board_id;
    uint16_t boot;
    struct ceiling ceiling; /* the tighter of what is stored and what the program was built with */
};

/* Counts this start. False if what is stored is damaged: then the built-in values are given, and
 * nothing is written but the count. */
bool memory_start(struct memory *memory);

#endif
