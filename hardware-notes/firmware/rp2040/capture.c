/* Pickups: a state machine each, which counts ticks and edges and samples its pin once a tick. What it notes
 * does not depend on what the processor is doing, so edges are timed to the tick, both pickups alike. */
#include "chip.h"
#include "config.h"
#include "teeth.h"
#include "tooth.h"

/* Every way through takes three cycles a tick, in each of which x goes down by one. An edge is noted as the
 * low 24 bits of x and the low 8 of y, which goes down with each edge: if the queue of eight was full, the next
 * one tells how many are missing. An edge is seen if its pin was low for a tick before and four ticks after
 * the last one. */
enum { LOW = 0, EDGE = 3, STAYS = 9, HIGH = 10 };
#define JMP(to) (to)
#define JMP_X_DOWN(to) (0x0040 | (to))
#define JMP_Y_DOWN(to) (0x0080 | (to))
#define JMP_PIN(to) (0x00c0 | (to))
#define IN_X(bits) (0x4020 | (bits))
#define IN_Y(bits) (0x4040 | (bits))
#define PUSH_OR_DROP 0x8000
static const uint16_t program[] = {
    [LOW] = JMP_X_DOWN(1), JMP_PIN(EDGE), JMP(LOW),
    [EDGE] = IN_X(24),
    JMP_X_DOWN(5), IN_Y(8), PUSH_OR_DROP,
    JMP_X_DOWN(8), JMP_Y_DOWN(STAYS), [STAYS] = JMP(HIGH),
    [HIGH] = JMP_X_DOWN(11), JMP_PIN(STAYS), JMP(LOW),
};
#define PROGRAM_LENGTH (sizeof program / sizeof program[0])
#define TICK_BITS 24

#define MOV_X_ONES 0xa02b
#define MOV_Y_ONES 0xa04b
#define SHIFT_RIGHT_QUEUE_OF_EIGHT (1u << 31 | 1u << 18)
#define MACHINES ((1u << PICKUPS) - 1)

struct edge {
    uint8_t edges; /* since the last one that was noted */
    uint32_t tick;
};

static bool take(uint8_t machine, uint8_t *counted, struct edge *edge)
{
    if (REGISTER(PIO0_FSTAT) & PIO_FSTAT_RXEMPTY(machine))
        return false;
    uint32_t noted = ~REGISTER(PIO0_RXF(machine));
    uint8_t count = noted >> TICK_BITS;
    edge->edges = count - *counted;
    *counted = count;
    /* The latest tick with these low bits; ticks_now() is never behind. */
    uint32_t now = ticks_now();
    edge->tick = now - ((now - noted) & ((1u << TICK_BITS) - 1));
    return true;
}

void pickups(void);
void pickups(void)
{
    static uint8_t counted[2] = { UINT8_MAX, UINT8_MAX };
    struct edge edge;
    while (take(0, &counted[0], &edge))
        tooth_of_pickup_0(edge.edges, (union tick_halves){ .whole = edge.tick });
#if PICKUPS > 1
    while (take(1, &counted[1], &edge))
        tooth_of_pickup_1(edge.edges - 1, edge.tick);
#endif
}

#define PIO0_IRQ_0 7

void capture_start(void)
{
    for (uint8_t i = 0; i < PROGRAM_LENGTH; i++)
        REGISTER(PIO0_INSTR_MEM(i)) = program[i];
    for (uint8_t machine = 0; machine < PICKUPS; machine++) {
        REGISTER(PIO0_EXECCTRL(machine)) = (PICKUP_0_PIN + machine) << 24 | (PROGRAM_LENGTH - 1) << 12;
        REGISTER(PIO0_SHIFTCTRL(machine)) = SHIFT_RIGHT_QUEUE_OF_EIGHT;
        REGISTER(PIO0_INSTR(machine)) = MOV_X_ONES;
        REGISTER(PIO0_INSTR(machine)) = MOV_Y_ONES;
        REGISTER(PIO0_INSTR(machine)) = JMP(LOW);
    }
    /* Both in the same cycle, right after the timer went on. */
    uint32_t before = REGISTER(TIMER_RAWL), now;
    do
        now = REGISTER(TIMER_RAWL);
    while (now == before);
    REGISTER(PIO0_CTRL) = MACHINES;
    ticks_origin = now * TICKS_PER_US - TICKS_AHEAD;
    REGISTER(PIO0_IRQ0_INTE) = MACHINES; /* while a queue holds anything */
    REGISTER(NVIC_ISER) = 1u << PIO0_IRQ_0; /* of the highest priority, as after a reset */
}
