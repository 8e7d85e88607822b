/* A tick in two halves. A chip of 8 bits makes shorter code of this than of shifts and comparisons. */
#ifndef HALVES_H
#define HALVES_H

#include <stdint.h>

union tick_halves {
    struct {
        uint16_t low, high;
    };
    uint32_t whole;
};

#endif
