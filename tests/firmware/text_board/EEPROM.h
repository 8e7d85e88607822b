// Just enough of an EEPROM, all zeros.
#pragma once

#include <cstring>

static struct {
    unsigned char bytes[1024];
    template <typename T> T &get(int at, T &value) { return *(T *)memcpy(&value, bytes + at, sizeof value); }
    template <typename T> const T &put(int at, const T &value)
    {
        memcpy(bytes + at, &value, sizeof value);
        return value;
    }
} EEPROM;
