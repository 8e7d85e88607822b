/* The loop that holds a load. Arithmetic only: no pins, no clock. The host's peer of it is load/src/controller.rs,
 * which says how it works; a test holds the two together, number by number.
 *
 * Units: speeds, torques, accelerations, outputs and shares times 65,536 in rad/s, N m, rad/s^2 and parts of the
 * whole ("Q16"); rates a second times 256 ("Q8").
 *
 * Its cuts are software on one chip. They are not the emergency stop: see ../safety.md.
 */
#ifndef LOAD_H
#define LOAD_H

#include <stdbool.h>
#include <stdint.h>

#define LOAD_MAP_POINTS 8
#define LOAD_SHARES 8
/* Steps whose teeth are kept; a power of two. */
#define LOAD_HISTORY 128u

/* What a host sets, and what the board knows of itself. Checked by who takes it in: load_settings_fit(). */
struct load_settings {
    int64_t rate_hz;      /* steps a second */
    int64_t tick_hz;      /* ticks a second */
    int64_t teeth;        /* of the absorber's wheel */
    int64_t window_teeth; /* over which a speed is measured */
    int64_t inertia;      /* at the absorber, kg m^2 times 2^20 */
    int64_t firmness;     /* Q8: 256 is the tuning rule with its closed loop as fast as the dead time */
    int64_t hold;         /* demand for a distance from the set point, N m per rad/s, Q16 */
    int64_t approach;     /* how fast a reference comes near its target, Q8 */
    int64_t lead;         /* lag over wanted lag, Q8, at least 256 */
    int64_t lag;          /* one over the absorber's lag, Q8 */
    int64_t slew;         /* fastest change of a valve, full ways, Q8; 0: no limit */
    int64_t output_min;   /* Q16: below 0 where a driver can turn its supply round */
    int64_t output_max;   /* Q16: above 65,536 where the supply is more than full load needs */
    int64_t map_speed[LOAD_MAP_POINTS];   /* Q16, rising, above 0 */
    int64_t map_torque[LOAD_MAP_POINTS];  /* with full output there, Q16 */
    int64_t output_for[LOAD_SHARES + 1];  /* outputs for the squares of eighths of the torque, rising from 0 */
    int64_t stall;        /* no load below this speed, all of it from half as much above, Q16 */
    int64_t speed_max;    /* that torque and road modes don't let it pass, Q16 */
    int64_t engine_max;   /* the engine's greatest torque at the absorber, Q16 */
    int64_t torque_slew;  /* fastest change in torque mode, N m/s, Q16 */
    int64_t follow;       /* how far measured output may be from the model's, Q16 */
    int64_t follow_steps; /* for how many steps */
};

enum load_mode { LOAD_OFF, LOAD_SPEED, LOAD_TORQUE, LOAD_ROAD, LOAD_OUTPUT };

struct load_demand {
    enum load_mode mode;
    int64_t target; /* speed, torque, c0 or output, Q16 */
    int64_t rate;   /* speed: greatest acceleration, Q16, 0: as fast as it goes; road: c1, Q16 */
    int64_t square; /* road: c2, times 2^32 */
};

/* Those after LOAD_CUT cut the engine. */
enum load_why {
    LOAD_ON,
    LOAD_NOT_ARMED,
    LOAD_CUT,
    LOAD_SENSOR_LOST,
    LOAD_TOO_HOT,
    LOAD_SATURATED,
    LOAD_LOST,
};

struct load_inputs {
    uint32_t tick;       /* now */
    uint32_t tooth_tick; /* of the latest tooth */
    uint8_t teeth;       /* so far, wrapping */
    bool has_measured;
    int32_t measured;    /* current or place of the valve, Q16 */
    bool has_torque;
    int32_t torque;      /* Q16 */
    bool has_throttle;
    int32_t throttle;    /* how far it is open, Q16 */
    bool cut;            /* the board has cut the engine */
    bool too_hot;
    bool no_supply;      /* of water, oil or power, as a switch shows it */
};

struct load_outputs {
    int64_t output;    /* to the driver, Q16 */
    bool wants_cut;
    int64_t torque;    /* demanded, Q16 */
    int64_t speed;     /* the model's, Q16 */
    int64_t reference; /* Q16 */
    int64_t engine;    /* the engine's torque as believed, Q16 */
    bool saturated;
    bool holds;
    enum load_why why;
    uint8_t backed_off; /* how often it swung, and was made softer */
};

struct load_sample {
    uint32_t tick;
    int64_t teeth;
    int64_t sum;        /* of the model's speeds before this step */
    int64_t changes[2]; /* sums of the greatest and the least change of speed until then */
};

/* One edge of what a sound absorber can be doing. */
struct load_edge {
    int64_t valve; /* its place, or what drives the coil */
    int64_t level; /* what it has let in, or the current */
};

/* Finds a demand that swings to and fro evenly. */
struct load_swing {
    bool is_rising;
    int64_t extreme, since; /* the highest or lowest so far, and how many steps ago */
    int64_t halves[3];      /* steps between the last turning points, newest first */
    int64_t turned, height; /* demand at the last turning point, and how far it had swung to it */
    int64_t even;           /* turning points in a row as far apart as those before, the swing no smaller */
};

struct load {
    struct load_settings set;
    int64_t per_inertia; /* one over it */
    uint8_t per_inertia_shift;
    struct load_demand demand;
    bool is_armed, is_leaving;
    enum load_why why;

    struct load_sample samples[LOAD_HISTORY];
    uint32_t at, tail;
    int64_t teeth;
    uint8_t last_teeth;
    int64_t sum;
    bool has_begun;

    int64_t speed, engine, gap;
    int64_t full; /* torque with full output at this speed */
    bool is_turning;

    int64_t place, output, boost;
    struct load_edge low, high;
    int64_t top; /* the highest speed that was ordered since the last order */
    int64_t reference, acceleration, wanted, trim, kept;

    int64_t apart, torque_apart, without, running_off;
    int64_t strength, loaded; /* torque beside that of the map, Q16; steps it has had to learn that by */
    int64_t opening;          /* the least opening of the throttle since it was last opened, Q16 */
    int64_t unchanged, made;  /* steps since that or an order changed anything; what the engine has made since */
    int64_t changes[2];       /* sums of the greatest and the least change of speed */
    int64_t seen, allowed[2]; /* the speed last measured, and those sums in the middle of its window */
    int64_t gained, sunk;     /* speed beyond the greatest and the least */
    struct load_swing swing;
    uint8_t backed_off;
};

/* Whether settings can be worked with: nothing to divide by is 0, maps rise, everything fits. */
bool load_settings_fit(const struct load_settings *settings);

/* No load, and nobody has armed it. */
void load_start(struct load *load, const struct load_settings *settings);

/* A person's word: load may be put on. It begins off. */
void load_arm(struct load *load);

/* Takes the load off, at the rate of the torque mode, and then needs a person's word again. */
void load_disarm(struct load *load);

/* Changes what to do, from where things are. */
void load_set(struct load *load, const struct load_demand *demand);

/* One step, rate_hz times a second. */
void load_step(struct load *load, const struct load_inputs *inputs, struct load_outputs *outputs);

#endif
