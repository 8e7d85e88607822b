#include "ticks.h"

volatile uint16_t ticks_high;

ISR(TIMER1_OVF_vect)
{
    ticks_high++;
}

void ticks_start(void)
{
    TCCR1A = 0;
    TIMSK1 = _BV(TOIE1) | _BV(ICIE1);
    /* Rising edges, without the noise canceller: it would let timer 0 count what timer 1 does not
     * see. Clock / 8. */
    TCCR1B = _BV(ICES1) | _BV(CS11);
}
