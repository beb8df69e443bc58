#include "line.h"

#include <avr/interrupt.h>
#include <avr/io.h>

/* Both powers of two, indices in one byte so that reading one is a single instruction. */
#define OUT_SIZE 256u
#define IN_SIZE 64u

/* At double speed 16 MHz divides to 1 M, 500 k and 250 k baud without error. */
#define DIVISOR (F_CPU / 8UL / BAUD - 1UL)
#if F_CPU / 8UL / (DIVISOR + 1UL) != BAUD
#error "this crystal cannot make that baud rate exactly"
#endif

static volatile uint8_t out_ring[OUT_SIZE], out_head, out_tail;
static volatile uint8_t in_ring[IN_SIZE], in_head, in_tail;

ISR(USART_UDRE_vect)
{
    uint8_t tail = out_tail;
    if (tail == out_head) {
        UCSR0B &= (uint8_t)~_BV(UDRIE0);
        return;
    }
    UDR0 = out_ring[tail];
    out_tail = (uint8_t)(tail + 1u);
}

ISR(USART_RX_vect)
{
    uint8_t byte = UDR0;
    uint8_t next = (uint8_t)((in_head + 1u) % IN_SIZE);
    if (next != in_tail) { /* a full ring drops the byte: the command's checksum will tell */
        in_ring[in_head] = byte;
        in_head = next;
    }
}

void line_open(void)
{
    UCSR0A = _BV(U2X0);
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UBRR0 = (uint16_t)DIVISOR;
    UCSR0B = _BV(RXCIE0) | _BV(RXEN0) | _BV(TXEN0);
}

void line_put(uint8_t byte)
{
    uint8_t head = out_head;
    uint8_t next = (uint8_t)(head + 1u);
    while (next == out_tail)
        ;
    out_ring[head] = byte;
    out_head = next;
    uint8_t status = SREG;
    cli(); /* the interrupt changes the same register */
    UCSR0B |= _BV(UDRIE0);
    SREG = status;
}

bool line_has_input(void)
{
    return in_tail != in_head;
}

bool line_get(uint8_t *byte)
{
    if (!line_has_input())
        return false;
    *byte = in_ring[in_tail];
    in_tail = (uint8_t)((in_tail + 1u) % IN_SIZE);
    return true;
}
