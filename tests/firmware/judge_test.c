/* What hardware-notes/firmware/judge.h makes of every wheel. Prints the worst case. */
#include "judge.h"

#include <math.h>
#include <stdio.h>

#define TICK_HZ 2000000u
#define NEVER 1000000

static unsigned long failures;

static void expect(bool ok, const char *what, int teeth, int a, int b, double turn)
{
    if (ok)
        return;
    failures++;
    if (failures < 20)
        printf("failed: %s; %d teeth, %d and %d gone, a turn of %.0f ticks\n", what, teeth, a, b, turn);
}

struct verdict {
    double overspeed_turns, missing_turns; /* when it cut; negative: not */
};

/* A period as the board takes it. */
static bool judge_speed(struct overspeed *state, uint32_t period, uint32_t limit, uint8_t enough)
{
    if (period < limit)
        return overspeed_short(state, period, 1, enough);
    overspeed_long(state, period);
    return false;
}

/* As the board: what is usual is not judged. That has to be nothing that would cut or begin again. */
static bool judge_count(struct counting *state, struct usual *usual, uint32_t period, uint32_t slowest)
{
    if (period <= UINT16_MAX && (uint16_t)(period - usual->low) < usual->span) {
        struct counting all = *state;
        bool missing = counting_period(&all, period, slowest);
        expect(!missing && all.even == EVEN_BEFORE && !all.longs, "what is usual is not", 0, -1, -1, period);
        return false;
    }
    bool missing = counting_period(state, period, slowest);
    *usual = counting_usual(state);
    return missing;
}

/* So many turns of `turn` ticks with teeth `a` and `b` gone (-1: none). From turn `half_from` on every second edge
 * of those left is missed. */
static struct verdict drive(int teeth, int a, int b, double turn, uint32_t limit, uint8_t enough, int half_from,
                            int turns_driven)
{
    struct overspeed overspeed = { 0 };
    struct counting counting = { 0 };
    struct usual usual = { 0 };
    struct verdict verdict = { -1, -1 };
    uint32_t slowest = counting_slowest_ticks(limit, TICK_HZ), last = 0;
    bool any = false, skip = false;
    for (int n = 0; n < turns_driven * teeth; n++) {
        int tooth = n % teeth;
        if (tooth == a || tooth == b)
            continue;
        skip = !skip;
        if (n >= half_from * teeth && skip)
            continue;
        double turns = (double)n / teeth;
        uint32_t at = (uint32_t)(turns * turn + 0.5), period = at - last;
        last = at;
        if (!any) {
            any = true;
            continue;
        }
        if (judge_speed(&overspeed, period, limit, enough) && verdict.overspeed_turns < 0)
            verdict.overspeed_turns = turns;
        if (judge_count(&counting, &usual, period, slowest) && verdict.missing_turns < 0)
            verdict.missing_turns = turns;
    }
    return verdict;
}

/* Whether two neighbours are left: without, the wheel looks like one of fewer teeth. */
static bool has_neighbours(int teeth, int a, int b)
{
    for (int tooth = 0; tooth < teeth; tooth++) {
        int next = (tooth + 1) % teeth;
        if (tooth != a && tooth != b && next != a && next != b)
            return true;
    }
    return false;
}

int main(void)
{
    static const uint8_t counts[] = { 1, 2, 3, 5, 20 };
    double worst = -1000;
    unsigned long wheels = 0, blind = 0;
    for (int teeth = 1; teeth <= 60; teeth++)
        for (int gone = 0; gone <= 2 && gone < teeth; gone++)
            for (int b = gone < 2 ? -1 : 1; b < (gone < 2 ? 0 : teeth); b++) {
                int a = gone ? 0 : -1;
                wheels++;
                /* 1,800 rpm; the drum 1 % above its limit, then 1 % below. */
                double turn = TICK_HZ / 30.0;
                uint32_t above = (uint32_t)(turn / teeth * 1.01) + 2, below = (uint32_t)(turn / teeth * 0.99) - 2;
                if (!has_neighbours(teeth, a, b))
                    blind++;
                for (unsigned i = 0; i < sizeof counts; i++) {
                    struct verdict verdict = drive(teeth, a, b, turn, above, counts[i], NEVER, counts[i] + 4);
                    if (has_neighbours(teeth, a, b)) {
                        expect(verdict.overspeed_turns >= 0 && verdict.overspeed_turns <= counts[i] + 2,
                               "no overspeed cut in time", teeth, a, b, turn);
                        double over = verdict.overspeed_turns - counts[i];
                        worst = over > worst ? over : worst;
                    }
                    expect(verdict.missing_turns < 0, "a wheel with gaps is no miscounting", teeth, a, b, turn);
                    verdict = drive(teeth, a, b, turn, below, counts[i], NEVER, counts[i] + 4);
                    expect(verdict.overspeed_turns < 0, "cut below the limit", teeth, a, b, turn);
                }
                /* Every second tooth missed from turn 8 on, at half the limit. A wheel that is whole, or
                 * nearly, is found; at what time its edges count only half is not known to anybody. */
                struct verdict verdict = drive(teeth, a, b, turn, (uint32_t)(turn / teeth / 2), 3, 8, 20);
                if (gone == 0 || (gone == 1 && teeth >= 6) || teeth >= 11)
                    expect(verdict.missing_turns >= 8 && verdict.missing_turns <= 8 + 10,
                           "half counting not found", teeth, a, b, turn);
            }
    printf("%lu wheels, %lu without two neighbours; at most %.2f turns more than the count of short periods\n",
           wheels, blind, worst);

    /* Single edges too many or missed, wherever they are, on every whole wheel below its limit. */
    for (int teeth = 1; teeth <= 60; teeth++)
        for (int part = 1; part < 40; part++)
            for (int missed = 0; missed < 2; missed++) {
                struct overspeed overspeed = { 0 };
                struct counting counting = { 0 };
    struct usual usual = { 0 };
                uint32_t period = TICK_HZ / 20 / teeth, limit = period * 9 / 10;
                uint32_t slowest = counting_slowest_ticks(limit, TICK_HZ);
                bool cut = false;
                for (int n = 0; n < 100; n++) {
                    uint32_t one[2] = { period, 0 };
                    if (n % 20 == 19 && missed)
                        one[0] = 2 * period;
                    else if (n % 20 == 19) {
                        one[0] = period * part / 40;
                        one[1] = period - one[0];
                    }
                    for (int i = 0; i < 2 && one[i]; i++) {
                        cut |= judge_speed(&overspeed, one[i], limit, 3);
                        cut |= judge_count(&counting, &usual, one[i], slowest);
                    }
                }
                expect(!cut, missed ? "a missed edge cuts" : "a false edge cuts", teeth, part, -1, period);
            }

    /* Two false edges, so many whole teeth between them, anywhere in their periods. Without one they made
     * three short periods in a row at any time. */
    int pairs = 0, cutting = 0;
    for (int between = 0; between < 5; between++)
        for (int a = 1; a < 100; a++)
            for (int b = 1; b < 100; b++) {
                struct overspeed overspeed = { 0 };
                bool cut = false;
                int periods[20], count = 0;
                periods[count++] = 1000;
                periods[count++] = 10 * a;
                periods[count++] = 1000 - 10 * a;
                for (int i = 0; i < between; i++)
                    periods[count++] = 1000;
                periods[count++] = 10 * b;
                periods[count++] = 1000 - 10 * b;
                for (int i = 0; i < count; i++)
                    cut |= judge_speed(&overspeed, periods[i], 900, 3);
                if (!between)
                    continue;
                bool middle = a >= 33 && a <= 72; /* the next period is 1.5 to 3.5 times what is left */
                expect(!cut || (between < 3 && middle), "two false edges cut", between, a, b, 1000);
                pairs += between < 3;
                cutting += cut;
            }
    printf("%.1f %% of pairs of false edges with one or two teeth between them cut at a count of 3\n",
           100.0 * cutting / pairs);

    /* A drum that starts, is braked evenly to a stop, stands, and starts again; limits of 600 to 3,600 rpm. */
    int hardest = NEVER;
    for (int teeth = 1; teeth <= 60; teeth++)
        for (int rpm = 600; rpm <= 3600; rpm += 600)
            for (int brake = 5; brake <= 200; brake += 5) {
                struct counting counting = { 0 };
    struct usual usual = { 0 };
                uint32_t limit = TICK_HZ * 60 / rpm / teeth, slowest = counting_slowest_ticks(limit, TICK_HZ);
                double pitch = 6.283185307 / teeth, highest = rpm * 0.1047197551, squared = 0;
                bool cut = false;
                for (int round = 0; round < 2; round++) {
                    for (int phase = 0; phase < 2; phase++)
                        for (;;) {
                            double next = squared + 2 * pitch * (phase ? -brake : 100);
                            if (next <= 0 || next > highest * highest)
                                break;
                            double mean = (sqrt(squared) + sqrt(next)) / 2;
                            /* The start of the fall is like the end: only that is looked at. */
                            if (phase || next < pitch * 400)
                                cut |= judge_count(&counting, &usual, (uint32_t)(TICK_HZ * pitch / mean), slowest);
                            squared = next;
                        }
                    squared = 0;
                    cut |= judge_count(&counting, &usual, 10 * TICK_HZ, slowest);
                }
                if (cut && brake < hardest)
                    hardest = brake;
            }
    printf("the weakest brake that is taken for missed teeth: %d rad/s2 (%d: none up to 200)\n", hardest, NEVER);
    expect(hardest > 100, "a braked drum cuts", hardest, -1, -1, 0);
    printf("%lu failed\n", failures);
    return failures != 0;
}
