#include "load.h"

#include <string.h>

#define Q16 65536
#define SPEED_MAX ((int64_t)2048 * Q16)
#define SQUARE_MAX ((int64_t)1 << 34)
#define ONE_20 ((int64_t)1 << 20)
#define JERK_MAX ((int64_t)1 << 33)
#define MASK (LOAD_HISTORY - 1)
/* A gain of one part in so many that nothing explains is a loss; the same of a speed that falls. */
#define GAINED 144
#define SUNK 48
/* Turning points at an even pace after which it swings. */
#define EVEN 5

static int64_t clamp(int64_t value, int64_t low, int64_t high)
{
    return value < low ? low : value > high ? high : value;
}

static int64_t least(int64_t one, int64_t other)
{
    return one < other ? one : other;
}

static int64_t greatest(int64_t one, int64_t other)
{
    return one > other ? one : other;
}

/* A chip that divides 64 bits by a loop does what fits into 32 some times faster. */
static int64_t divided(int64_t of, int64_t by)
{
    return of == (int32_t)of && by == (int32_t)by ? (int32_t)of / (int32_t)by : of / by;
}

static int64_t magnitude(int64_t value)
{
    return value < 0 ? -value : value;
}

/* The whole part of a root. */
static int64_t root(int64_t of)
{
    int64_t found = 0;
    for (int64_t bit = (int64_t)1 << 30; bit; bit >>= 1) {
        int64_t next = found + bit;
        if (next * next <= of)
            found = next;
    }
    return found;
}

/* ---- The absorber's map ------------------------------------------------------------------ */

static int64_t full_torque(const struct load_settings *set, int64_t speed)
{
    int64_t left_speed = 0, left_torque = 0;
    for (uint8_t i = 0; i < LOAD_MAP_POINTS; i++) {
        int64_t right = set->map_speed[i];
        if (speed < right)
            return left_torque + (set->map_torque[i] - left_torque) * (speed - left_speed) / (right - left_speed);
        left_speed = right;
        left_torque = set->map_torque[i];
    }
    return left_torque;
}

/* The square of eighths. */
static int64_t square_of(int64_t eighths)
{
    return eighths * eighths * (Q16 / 64);
}

static int64_t output_for(const struct load_settings *set, int64_t share)
{
    share = clamp(share, 0, Q16);
    uint8_t piece = 0;
    while (piece < LOAD_SHARES - 1 && share >= square_of(piece + 1))
        piece++;
    int64_t left = set->output_for[piece], right = set->output_for[piece + 1];
    int64_t from = square_of(piece), to = square_of(piece + 1);
    return left + divided((right - left) * (share - from), to - from);
}

static int64_t share_of(const struct load_settings *set, int64_t output)
{
    output = clamp(output, 0, Q16);
    uint8_t piece = 0;
    while (piece < LOAD_SHARES - 1 && output >= set->output_for[piece + 1])
        piece++;
    int64_t left = set->output_for[piece], right = set->output_for[piece + 1];
    int64_t from = square_of(piece), to = square_of(piece + 1);
    return from + clamp(divided((to - from) * (output - left), greatest(right - left, 1)), 0, to - from);
}

/* The absorber's torque as the model has it. */
static int64_t held_torque(const struct load *load)
{
    return load->full * share_of(&load->set, load->place) >> 16;
}

/* A gain, halved for each time that it swung. */
static int64_t gain(const struct load *load, int64_t of)
{
    return of >> load->backed_off;
}

/* What a torque makes of the speed in a second: by one over the inertia, to fifteen bits at least. */
static int64_t acceleration_by(const struct load *load, int64_t torque)
{
    return torque * load->per_inertia >> load->per_inertia_shift;
}

/* ---- Model ------------------------------------------------------------------------------- */

static void begin_model(struct load *load, int64_t speed)
{
    load->speed = speed;
    load->full = full_torque(&load->set, speed);
    load->engine = speed == 0 ? 0 : held_torque(load);
    load->reference = speed;
    uint32_t most = load->at < MASK ? load->at : MASK;
    for (uint32_t back = 0; back <= most; back++)
        load->samples[(load->at - back) & MASK].sum = load->sum - speed * back;
}

/* Speed over the window, and the model moved on and corrected by it. */
static int64_t observe(struct load *load, const struct load_inputs *inputs)
{
    const struct load_settings *set = &load->set;
    if (!load->has_begun) {
        load->has_begun = true;
        load->last_teeth = inputs->teeth;
        for (uint32_t i = 0; i < LOAD_HISTORY; i++)
            load->samples[i].tick = inputs->tooth_tick;
    }
    load->teeth += (uint8_t)(inputs->teeth - load->last_teeth);
    load->last_teeth = inputs->teeth;
    struct load_sample *now = &load->samples[load->at & MASK];
    *now = (struct load_sample){ .tick = inputs->tooth_tick, .teeth = load->teeth, .sum = load->sum };
    now->changes[0] = load->changes[0];
    now->changes[1] = load->changes[1];
    while (load->tail + 1 < load->at &&
           load->teeth - load->samples[(load->tail + 1) & MASK].teeth >= set->window_teeth)
        load->tail++;
    if (load->at > MASK && load->tail < load->at - MASK)
        load->tail = load->at - MASK;
    struct load_sample first = load->samples[load->tail & MASK];
    int64_t turned = load->teeth - first.teeth;
    int64_t ticks = (uint32_t)(inputs->tooth_tick - first.tick);
    /* 2 pi * 65,536 = 411,775. */
    int64_t measured = 0;
    if (turned > 0 && ticks > 0)
        measured = least(411775 * turned * set->tick_hz / (set->teeth * ticks), SPEED_MAX);
    int64_t period = turned > 0 ? divided(ticks, turned) : 0;
    /* A tooth may come after the step's time was read. */
    int64_t silent = greatest((int32_t)(inputs->tick - inputs->tooth_tick), 0);
    int64_t step_ticks = divided(set->tick_hz, set->rate_hz);
    load->gap = period > 0 ? silent - 4 * period - 2 * step_ticks : 0;
    load->is_turning = measured > 0 && load->gap <= 0;

    int64_t steps = load->at - load->tail;
    int64_t mean = steps > 0 ? divided(load->sum - first.sum, steps) : load->speed;
    int64_t deviation = load->is_turning ? measured - mean : 0;
    if (load->is_turning && magnitude(deviation) > (measured >> 2) + Q16) {
        begin_model(load, measured);
    } else {
        int64_t accelerating = load->engine - held_torque(load);
        /* Twice the dead time in steps. SIMC for an integrator: 1 / 2 theta, and the integral's time 4 times 2 theta. */
        int64_t late = steps + 4;
        int64_t part = divided(deviation * gain(load, set->firmness) >> 8, late);
        int64_t torque = divided((part * gain(load, set->firmness) >> 8) * set->rate_hz, 4 * late);
        load->speed += divided(acceleration_by(load, accelerating), set->rate_hz) + part;
        load->engine += torque * set->inertia >> 20;
        load->engine = clamp(load->engine, -2 * set->engine_max, 2 * set->engine_max);
        load->speed = clamp(load->speed, 0, SPEED_MAX);
    }
    if (turned == 0 && load->why != LOAD_SENSOR_LOST)
        begin_model(load, 0);
    load->full = full_torque(set, load->speed);
    load->sum += load->speed;
    load->at++;
    return measured;
}

/* ---- What is wrong ----------------------------------------------------------------------- */

static int64_t torque_at(const struct load *load, int64_t level)
{
    return load->full * share_of(&load->set, level) >> 16;
}

/* Strength of the absorber that a torque tells beside one by its map, to 1/256. */
static int64_t strength_by(int64_t torque, int64_t by_map)
{
    return clamp(divided(torque, greatest(by_map >> 8, 1)) * 256, Q16 / 8, 8 * Q16);
}

static int64_t leak(const struct load *load, int64_t of)
{
    return of - divided(of * 4, load->set.rate_hz);
}

/* Holds what is measured against what a sound absorber can be doing. Whether the load is lost. The peer says how. */
static bool compare(struct load *load, const struct load_inputs *inputs, int64_t measured)
{
    const struct load_settings *set = &load->set;
    int64_t low = load->low.level, high = load->high.level, follow = set->follow;
    /* A coil's resistance grows by four tenths when it is hot. */
    int64_t hot = set->slew > 0 ? low : divided(low * 5, 7);

    /* Less than it must be, or more than it can be. */
    int64_t level = inputs->has_measured ? inputs->measured : hot;
    bool is_apart = inputs->has_measured &&
                    ((hot > Q16 / 16 && level < hot - least(follow, hot / 2)) || level > high + follow);
    load->apart = is_apart ? load->apart + 1 : 0;

    /* What is not known of a valve's place or of a current. Hot, a coil has a third less torque than a map has cold. */
    int64_t known = least(greatest(level, hot), high);
    int64_t sure = set->slew > 0 || inputs->has_torque ? 6 : 5;
    int64_t weak = least(load->strength, Q16);
    int64_t surely = (torque_at(load, known - Q16 / 32) * weak >> 16) * sure / 8;
    /* A map may be far too weak, as long as no torque has shown for a second that it is not. */
    int64_t times = inputs->has_torque && load->loaded >= set->rate_hz ? 5 : 12;
    int64_t most = (torque_at(load, high + Q16 / 32) * greatest(load->strength, Q16) >> 16) * times / 4;
    /* A sensor of torque may be late, and water knocks as its valve moves. */
    int64_t wide = set->engine_max / (set->slew > 0 ? 4 : 8);
    bool differs = inputs->has_torque &&
                   (inputs->torque < (torque_at(load, hot - Q16 / 32) * weak >> 16) * sure / 8 - wide ||
                    inputs->torque > most + wide);
    load->torque_apart = differs ? load->torque_apart + 1 : 0;

    /* How strong it is beside its map. */
    bool is_loaded = load->place > Q16 / 16;
    if (is_loaded) {
        load->loaded = least(load->loaded + 1, set->rate_hz);
        int64_t below = Q16 / 8, above;
        if (inputs->has_torque) {
            below = strength_by(inputs->torque, torque_at(load, high));
            above = strength_by(inputs->torque, torque_at(load, hot));
        } else {
            above = strength_by(set->engine_max, load->engine);
        }
        int64_t up = greatest(below - load->strength, 0) * 4;
        int64_t down = least(above - load->strength, 0);
        load->strength += divided(up + down, set->rate_hz);
    }

    /* Where the throttle is read and was not opened, the engine makes what it has made. */
    bool is_opened = inputs->throttle > load->opening + Q16 / 32;
    if (is_opened || inputs->throttle < load->opening)
        load->opening = inputs->throttle;
    load->unchanged = !inputs->has_throttle || is_opened || !is_loaded ? 0 : least(load->unchanged + 1, set->rate_hz);
    bool is_known = load->unchanged == set->rate_hz;
    int64_t more = load->engine - load->made;
    if (is_known)
        load->made += divided(more, set->rate_hz * (more > 0 ? 2 : 8));
    else
        load->made += more > 0 ? more : divided(more * 2, set->rate_hz);
    int64_t free = set->engine_max - surely;
    if (is_known) {
        int64_t there = torque_at(load, (inputs->has_measured ? known : low) - Q16 / 32);
        free = least(free, (load->made - there) * 11 / 8 + set->engine_max / 16);
    }

    int64_t planned = load->demand.mode == LOAD_SPEED ? greatest(load->acceleration, 0) : 0;
    int64_t rise = greatest(acceleration_by(load, free), planned * 5 / 4);
    /* The throttle closed. */
    int64_t fall = -acceleration_by(load, set->engine_max / 2 + most) * 5 / 4;
    load->changes[0] += divided(rise, set->rate_hz);
    load->changes[1] += divided(fall, set->rate_hz);
    /* A speed over a window is that of its middle. */
    uint32_t last = load->at - 1;
    const int64_t *allowed = load->samples[(last - (last - load->tail) / 2) & MASK].changes;
    int64_t change = measured - load->seen;
    int64_t above_it = load->gained + change - (allowed[0] - load->allowed[0]);
    int64_t below_it = load->sunk + change - (allowed[1] - load->allowed[1]);
    load->gained = is_loaded && load->is_turning ? greatest(leak(load, above_it), 0) : 0;
    load->sunk = load->is_turning ? least(leak(load, below_it), 0) : 0;
    load->seen = measured;
    load->allowed[0] = allowed[0];
    load->allowed[1] = allowed[1];
    return load->apart > set->follow_steps || load->torque_apart > set->follow_steps * 3 / 2 ||
           load->gained * GAINED > measured || load->sunk * SUNK < -measured;
}

/* The first reason stays until a person arms again. */
static void watch(struct load *load, const struct load_inputs *inputs, int64_t measured, bool is_lost)
{
    const struct load_settings *set = &load->set;
    if (!load->is_armed || load->why != LOAD_ON)
        return;
    bool is_loaded = load->place > Q16 / 16;
    load->without = is_loaded && inputs->no_supply ? load->without + 1 : 0;
    int64_t top = load->demand.mode == LOAD_SPEED ? load->top : set->speed_max;
    bool runs = load->output >= set->output_for[LOAD_SHARES] - Q16 / 64 && load->place >= Q16 - Q16 / 32 &&
                measured > top + top / 32 && load->engine > load->full;
    load->running_off = runs ? load->running_off + 1 : 0;
    bool is_past = is_loaded && measured > top + divided(top, 12);

    /* What is too hot cuts on some boards by itself. */
    if (inputs->too_hot)
        load->why = LOAD_TOO_HOT;
    else if (inputs->cut)
        load->why = LOAD_CUT;
    else if (load->gap > 0 && load->speed > set->stall)
        load->why = LOAD_SENSOR_LOST;
    else if (is_lost || load->without * 200 > set->rate_hz)
        load->why = LOAD_LOST;
    else if (is_past || load->running_off * 20 > set->rate_hz)
        load->why = LOAD_SATURATED;
    if (load->why == LOAD_ON)
        return;
    load->kept = greatest(held_torque(load), 0);
    if (load->why == LOAD_SENSOR_LOST)
        load->engine = 0;
}

/* Makes the loop softer when its demand swings evenly, by more than a third of the torque that it holds. */
static void watch_swings(struct load *load, int64_t given)
{
    struct load_swing *it = &load->swing;
    if (load->demand.mode == LOAD_OUTPUT) {
        /* Whoever orders outputs may switch them to and fro: for tuning. */
        memset(it, 0, sizeof *it);
        return;
    }
    int64_t wide = greatest(divided(load->engine, 3), load->set.engine_max / 16);
    int64_t beyond = it->is_rising ? given - it->extreme : it->extreme - given;
    it->since++;
    it->halves[0]++;
    if (beyond >= 0) {
        it->extreme = given;
        it->since = 0;
    } else if (-beyond > wide) {
        int64_t half = it->halves[0] - it->since;
        int64_t period = half + it->halves[1], before = it->halves[1] + it->halves[2];
        int64_t height = magnitude(it->extreme - it->turned);
        bool is_even = half >= load->at - load->tail && height * 3 >= it->height * 2 && period * 4 > before * 3 && period * 3 < before * 4 &&
                       period < load->set.rate_hz * 2;
        it->even = is_even ? it->even + 1 : 0;
        it->halves[2] = it->halves[1];
        it->halves[1] = half;
        it->halves[0] = it->since;
        it->turned = it->extreme;
        it->height = height;
        it->is_rising = !it->is_rising;
        it->extreme = given;
        it->since = 0;
        if (it->even >= EVEN && load->backed_off < 3) {
            load->backed_off++;
            it->even = 0;
        }
    }
}

/* ---- Modes ------------------------------------------------------------------------------- */

/* Seven eighths of what there is. */
static int64_t acceleration_of(const struct load *load, int64_t torque)
{
    return acceleration_by(load, greatest(torque, Q16 / 16)) * 7 / 8;
}

static int64_t speed_torque(struct load *load)
{
    const struct load_settings *set = &load->set;
    int64_t up = acceleration_of(load, load->engine);
    int64_t down = acceleration_of(load, load->full - load->engine);
    if (load->demand.rate > 0) {
        up = least(up, load->demand.rate);
        down = least(down, load->demand.rate);
    }
    int64_t away = load->demand.target - load->reference;
    int64_t acceleration = clamp(away * set->approach >> 8, -down, up);
    if (set->slew > 0) {
        /* A valve changes it no faster; a part of that is left for corrections. Ending evenly, it takes the root of this. */
        int64_t jerk = least(acceleration_by(load, set->slew * greatest(load->full, 0) >> 8), JERK_MAX);
        int64_t most = root(magnitude(away) * (jerk / 2));
        int64_t change = divided(jerk, set->rate_hz);
        acceleration = clamp(clamp(acceleration, -most, most), load->acceleration - change, load->acceleration + change);
    }
    load->acceleration = acceleration;
    int64_t before = load->reference;
    load->reference += divided(acceleration, set->rate_hz);
    /* The last step is too short to count; where a valve turns round it stands for a moment, and goes on. */
    if (load->reference == before && magnitude(away) < Q16 / 16)
        load->reference = load->demand.target;
    load->top = greatest(least(load->top, load->reference), load->demand.target);
    /* A reference that the stand can't follow waits for it. */
    int64_t apart = (load->speed >> 5) + Q16;
    load->reference = clamp(load->reference, load->speed - apart, load->speed + apart);
    return load->engine - (acceleration * set->inertia >> 20) +
           ((load->speed - load->reference) * gain(load, set->hold) >> 16);
}

/* More torque than asked for where the speed would get too high. */
static int64_t below_speed_max(const struct load *load, int64_t torque)
{
    int64_t above = load->speed - load->set.speed_max;
    return greatest(torque, load->engine + (above * gain(load, load->set.hold) >> 16));
}

static void ramp(struct load *load, int64_t target)
{
    int64_t change = load->set.torque_slew / load->set.rate_hz;
    load->wanted += clamp(target - load->wanted, -change, change);
}

static int64_t off_torque(struct load *load)
{
    ramp(load, 0);
    if (load->is_leaving && load->wanted == 0) {
        load->is_armed = false;
        load->why = LOAD_NOT_ARMED;
    }
    return load->wanted;
}

static int64_t torque_torque(struct load *load, const struct load_inputs *inputs)
{
    ramp(load, load->demand.target);
    if (inputs->has_torque) {
        int64_t most = load->full >> 2;
        load->trim += (load->wanted - inputs->torque) * 2 / load->set.rate_hz;
        load->trim = clamp(load->trim, -most, most);
    }
    return below_speed_max(load, load->wanted + load->trim);
}

static int64_t road_torque(const struct load *load)
{
    int64_t linear = load->demand.rate * load->speed >> 16;
    int64_t per_speed = clamp(load->demand.square * load->speed >> 16, -SQUARE_MAX, SQUARE_MAX);
    return below_speed_max(load, load->demand.target + linear + (per_speed * load->speed >> 32));
}

/* Torque to ask of the absorber; more than it has, or less than none, when it is not enough. */
static int64_t torque_now(struct load *load, const struct load_inputs *inputs)
{
    if (!load->is_armed)
        return 0;
    int64_t torque = load->kept;
    if (load->why == LOAD_ON) {
        switch (load->demand.mode) {
        case LOAD_OFF: torque = off_torque(load); break;
        case LOAD_SPEED: torque = speed_torque(load); break;
        case LOAD_TORQUE: torque = torque_torque(load, inputs); break;
        case LOAD_ROAD: torque = road_torque(load); break;
        case LOAD_OUTPUT:
            torque = load->full * share_of(&load->set, load->demand.target) >> 16;
            break;
        }
    }
    /* Never at standstill, and less before it. */
    int64_t above = load->speed - load->set.stall;
    int64_t wide = load->set.stall / 2;
    /* A speed that is only reckoned comes near it, and never there: it has no drag. */
    bool is_reckoned = load->why == LOAD_SENSOR_LOST;
    if (above <= (is_reckoned ? wide / 8 : 0) || !(load->is_turning || is_reckoned)) {
        load->kept = 0;
        load->reference = load->speed;
        if (load->why > LOAD_NOT_ARMED)
            load->is_armed = false;
        return 0;
    }
    if (above < wide)
        return least(torque, load->full) * above / wide;
    return torque;
}

/* ---- Output ------------------------------------------------------------------------------ */

/* A change by a lag, or faster or slower than it: fast quarters of it towards an edge, three towards the middle. */
static int64_t quarters(int64_t by, bool is_high, int64_t fast)
{
    return (by > 0) == is_high ? fast : 3;
}

/* Moves the least or the most that a sound absorber can have let in. */
static void move_edge(const struct load *load, struct load_edge *it, bool is_high)
{
    const struct load_settings *set = &load->set;
    int64_t output = load->output;
    if (set->slew > 0) {
        int64_t away = clamp(output, 0, Q16) - it->valve;
        int64_t most = divided(set->slew * 256, set->rate_hz) * quarters(away, is_high, 6) / 4;
        it->valve += clamp(away, -most, most);
    } else {
        it->valve = output;
    }
    int64_t away = it->valve - it->level;
    int64_t moved = divided((away * set->lag >> 8) * quarters(away, is_high, 8) / 4, set->rate_hz);
    it->level = clamp(it->level + clamp(moved, -magnitude(away), magnitude(away)), 0, Q16);
}

/* Output for a torque, and the absorber's model moved on by it. */
static void put_out(struct load *load, int64_t torque, const struct load_inputs *inputs)
{
    const struct load_settings *set = &load->set;
    int64_t wanted = output_for(set, load->full > 0 ? torque * Q16 / load->full : 0);
    int64_t lead = (wanted - load->place) * set->lead >> 8;
    int64_t output = clamp(load->place + lead, set->output_min, set->output_max);
    /* The last thousandth is not driven out. */
    if (torque == 0 && load->place <= Q16 / 1024)
        load->place = 0;
    output = torque == 0 && load->place == 0 ? 0 : output + load->boost;
    output = clamp(output, set->output_min, set->output_max);
    if (set->slew > 0) {
        int64_t most = divided(set->slew * 256, set->rate_hz);
        output = clamp(output, load->output - most, load->output + most);
    }
    load->output = output;
    load->place += divided((output - load->boost - load->place) * set->lag >> 8, set->rate_hz);
    load->place = clamp(load->place, 0, Q16);
    move_edge(load, &load->low, false);
    move_edge(load, &load->high, true);
    /* A coil gets warm, and its current less: the output makes up for it slowly. */
    if (inputs->has_measured) {
        load->boost += divided((load->place - inputs->measured) * set->lag >> 10, set->rate_hz);
        load->boost = clamp(load->boost, -Q16 / 2, Q16 / 2);
    }
    if (torque == 0)
        load->boost = 0;
}

/* ------------------------------------------------------------------------------------------ */

static bool within(int64_t value, int64_t low, int64_t high)
{
    return value >= low && value <= high;
}

bool load_settings_fit(const struct load_settings *set)
{
    bool fit = within(set->rate_hz, 100, 4000) && within(set->tick_hz, 100000, 50000000) &&
               within(set->teeth, 1, 1000) && within(set->window_teeth, 1, 1000) &&
               within(set->inertia, 16, INT32_MAX) && within(set->firmness, 1, 1024) &&
               within(set->hold, 1, INT32_MAX) && within(set->approach, 1, ONE_20) &&
               within(set->lead, 256, 1 << 14) && within(set->lag, 1, ONE_20) && within(set->slew, 0, ONE_20) &&
               within(set->output_min, -16 * Q16, 0) && within(set->output_max, Q16, 16 * Q16) &&
               within(set->stall, Q16, INT32_MAX) && within(set->speed_max, set->stall, INT32_MAX) &&
               within(set->engine_max, 1, INT32_MAX) && within(set->torque_slew, 1, INT32_MAX) &&
               within(set->follow, 1, Q16) && within(set->follow_steps, 1, 1000) && set->output_for[0] == 0;
    for (uint8_t i = 0; i < LOAD_MAP_POINTS; i++)
        fit = fit && within(set->map_speed[i], i ? set->map_speed[i - 1] + 1 : 1, SPEED_MAX) &&
              within(set->map_torque[i], 0, INT32_MAX);
    for (uint8_t i = 0; i < LOAD_SHARES; i++)
        fit = fit && within(set->output_for[i + 1], set->output_for[i] + 1, Q16);
    return fit;
}

void load_start(struct load *load, const struct load_settings *settings)
{
    memset(load, 0, sizeof *load);
    load->set = *settings;
    while ((load->per_inertia = (ONE_20 << load->per_inertia_shift) / settings->inertia) < 1 << 15)
        load->per_inertia_shift++;
    load->strength = Q16;
    load->why = LOAD_NOT_ARMED;
}

void load_arm(struct load *load)
{
    load->is_armed = true;
    load->is_leaving = false;
    load->why = LOAD_ON;
    load->demand = (struct load_demand){ .mode = LOAD_OFF };
    load->strength = Q16;
    load->loaded = 0;
    memset(&load->swing, 0, sizeof load->swing);
    load->backed_off = 0;
}

void load_set(struct load *load, const struct load_demand *demand)
{
    if (demand->mode != load->demand.mode) {
        load->reference = load->speed;
        load->acceleration = 0;
        load->wanted = held_torque(load);
        load->trim = 0;
    }
    load->top = SPEED_MAX;
    /* At another speed the engine makes another torque. */
    load->unchanged = 0;
    load->demand = *demand;
}

void load_disarm(struct load *load)
{
    load_set(load, &(struct load_demand){ .mode = LOAD_OFF });
    load->is_leaving = true;
}

void load_step(struct load *load, const struct load_inputs *inputs, struct load_outputs *outputs)
{
    int64_t measured = observe(load, inputs);
    bool is_lost = compare(load, inputs, measured);
    watch(load, inputs, measured, is_lost);
    bool wants_cut = load->is_armed && load->why > LOAD_CUT;
    int64_t torque = torque_now(load, inputs);
    int64_t given = clamp(torque, 0, greatest(load->full, 0));
    watch_swings(load, given);
    put_out(load, given, inputs);
    *outputs = (struct load_outputs){
        .output = load->output,
        .wants_cut = wants_cut,
        .torque = torque,
        .speed = load->speed,
        .reference = load->reference,
        .engine = load->engine,
        .saturated = (torque > load->full || torque < 0) && load->is_armed,
        .holds = load->output > 0,
        .why = load->why,
        .backed_off = load->backed_off,
    };
}
