#include "chip.h"
#include "config.h"
#include "teeth.h"
#include "tooth.h"

static uint8_t edges_counted;

ISR(TIMER1_CAPT_vect)
{
    uint16_t low = ICR1;
    uint8_t count = TCNT0;
    if (TIFR1 & _BV(ICF1)) {
        /* Another edge since this interrupt was taken. If its time has replaced that of the edge
         * this interrupt is for, the next interrupt settles both. */
        if (ICR1 == low)
            return;
        count = TCNT0 - 1;
    }
    /* Timer 0 counts every edge, also those whose time was overwritten before it was read. If it
     * stands still the wire to T0 is missing: then each interrupt is one edge. */
    uint8_t edges = count - edges_counted;
    edges_counted = count;
    tooth_of_pickup_0(edges ? edges : 1, (union tick_halves){ .whole = ticks_extend(low) });
}

#if PICKUPS > 1
/* Its time is when the interrupt came to read it, up to 30 us late: good enough for an engine's few
 * teeth a turn.
 *
 * By its number this interrupt goes before the capture of pickup 0, and so before its cut. It lets
 * others in at once, only not itself. */
ISR(INT1_vect, ISR_NAKED)
{
    __asm__ volatile("cbi %0, %1\n\t"
                     "sei\n\t"
                     "jmp __vector_pickup_1" ::"I"(_SFR_IO_ADDR(EIMSK)),
                     "I"(INT1));
}

void __vector_pickup_1(void) __attribute__((signal, used));
void __vector_pickup_1(void)
{
    cli();
    uint32_t tick = ticks_extend(TCNT1);
    sei();
    tooth_of_pickup_1(0, tick);
    cli();
    EIMSK |= _BV(INT1);
}
#endif

void capture_start(void)
{
    TCCR0A = 0;
    TCCR0B = _BV(CS02) | _BV(CS01) | _BV(CS00); /* count rising edges at T0 */
#if PICKUPS > 1
    EICRA |= _BV(ISC11) | _BV(ISC10); /* rising */
    EIMSK |= _BV(INT1);
#endif
}
