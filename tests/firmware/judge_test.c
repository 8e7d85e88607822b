/* What hardware-notes/firmware/judge.h makes of every wheel. Prints the worst case. */
#include "judge.h"

#include <stdio.h>
#include <stdlib.h>

#define TICK_HZ 2000000u
#define TURNS 80

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

/* Turns of `turn` ticks with teeth `a` and `b` gone (-1: none). From turn `half_from` on every second edge
 * of those left is missed. */
static struct verdict drive(int teeth, int a, int b, double turn, uint32_t limit, uint8_t enough, int half_from)
{
    struct overspeed overspeed = { 0 };
    struct counting counting = { 0 };
    struct verdict verdict = { -1, -1 };
    uint32_t slowest = counting_slowest_ticks(limit, TICK_HZ), last = 0;
    bool any = false, skip = false;
    for (int n = 0; n < TURNS * teeth; n++) {
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
        if (period >= limit)
            overspeed_long(&overspeed, period);
        else {
            if (overspeed_short(&overspeed, 1, enough) && verdict.overspeed_turns < 0)
                verdict.overspeed_turns = turns;
            overspeed.last_short_ticks = period;
        }
        if (counting_period(&counting, period, slowest) && verdict.missing_turns < 0)
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
    static const uint8_t counts[] = { 1, 2, 3, 5, 10, 50 };
    double worst = 0;
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
                    struct verdict verdict = drive(teeth, a, b, turn, above, counts[i], TURNS);
                    if (has_neighbours(teeth, a, b)) {
                        expect(verdict.overspeed_turns >= 0 && verdict.overspeed_turns <= counts[i] + 2,
                               "no overspeed cut in time", teeth, a, b, turn);
                        double over = verdict.overspeed_turns - counts[i];
                        worst = over > worst ? over : worst;
                    }
                    expect(verdict.missing_turns < 0, "a wheel with gaps is no miscounting", teeth, a, b, turn);
                    verdict = drive(teeth, a, b, turn, below, counts[i], TURNS);
                    expect(verdict.overspeed_turns < 0, "cut below the limit", teeth, a, b, turn);
                }
                /* Every second tooth missed from turn 20 on, at half the limit. A wheel that is whole, or
                 * nearly, is found; at what time its edges count only half is not known to anybody. */
                struct verdict verdict = drive(teeth, a, b, turn, (uint32_t)(turn / teeth / 2), 3, 20);
                if (gone == 0 || (gone == 1 && teeth >= 6) || teeth >= 11)
                    expect(verdict.missing_turns >= 20 && verdict.missing_turns <= 20 + 10.0,
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
                uint32_t period = TICK_HZ / 20 / teeth, limit = period * 9 / 10;
                uint32_t slowest = counting_slowest_ticks(limit, TICK_HZ);
                bool cut = false;
                for (int n = 0; n < 2000; n++) {
                    uint32_t one[2] = { period, 0 };
                    if (n % 20 == 19 && missed)
                        one[0] = 2 * period;
                    else if (n % 20 == 19) {
                        one[0] = period * part / 40;
                        one[1] = period - one[0];
                    }
                    for (int i = 0; i < 2 && one[i]; i++) {
                        if (one[i] >= limit)
                            overspeed_long(&overspeed, one[i]);
                        else {
                            cut |= overspeed_short(&overspeed, 1, 3);
                            overspeed.last_short_ticks = one[i];
                        }
                        cut |= counting_period(&counting, one[i], slowest);
                    }
                }
                expect(!cut, missed ? "a missed edge cuts" : "a false edge cuts", teeth, part, -1, period);
            }

    /* A drum that starts, is braked as hard as 100 rad/s2 to a stop, stands, and starts again. */
    for (int teeth = 1; teeth <= 60; teeth++)
        for (int brake = 1; brake <= 100; brake++) {
            struct counting counting = { 0 };
            uint32_t limit = TICK_HZ / 30 / teeth, slowest = counting_slowest_ticks(limit, TICK_HZ);
            double pitch = 6.283185307 / teeth, squared = 0; /* speed squared, rad2/s2 */
            bool cut = false;
            for (int round = 0; round < 2; round++) {
                for (int phase = 0; phase < 2; phase++)
                    for (;;) {
                        double next = squared + 2 * pitch * (phase ? -brake : 35);
                        if (next <= 0 || next > 160.0 * 160.0)
                            break;
                        double v = 0, from = squared > next ? next : squared, to = squared > next ? squared : next;
                        /* The mean of the two speeds, by Newton's roots. */
                        for (int k = 0; k < 2; k++) {
                            double x = k ? to : from, r = x > 1 ? x : 1;
                            for (int i = 0; i < 40; i++)
                                r = (r + x / r) / 2;
                            v += r / 2;
                        }
                        cut |= counting_period(&counting, (uint32_t)(TICK_HZ * pitch / v), slowest);
                        squared = next;
                    }
                squared = 0;
                cut |= counting_period(&counting, 10 * TICK_HZ, slowest);
            }
            expect(!cut, "a braked drum cuts", teeth, brake, -1, 0);
        }
    printf("%lu failed\n", failures);
    return failures != 0;
}
