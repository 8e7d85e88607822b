#include "serial.h"

#include "config.h"

volatile uint8_t sent[LINE_BYTES], sent_head, sent_tail;
volatile uint8_t got[LINE_BYTES], got_head, got_tail;

ISR(USART_UDRE_vect)
{
    uint8_t tail = sent_tail;
    if (tail == sent_head) {
        UCSR0B &= ~_BV(UDRIE0);
        return;
    }
    UDR0 = sent[tail];
    sent_tail = LINE_NEXT(tail);
}

ISR(USART_RX_vect)
{
    uint8_t byte = UDR0;
    uint8_t head = got_head;
    uint8_t next = LINE_NEXT(head);
    if (next != got_tail) {
        got[head] = byte;
        got_head = next;
    }
}

void serial_start(void)
{
    UCSR0A = _BV(U2X0);
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UBRR0 = (F_CPU / 8 + BAUD / 2) / BAUD - 1;
    UCSR0B = _BV(RXCIE0) | _BV(RXEN0) | _BV(TXEN0);
    UDR0 = 0;
}
