#include "sampler.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#define BATCHES 4u
#define REFERENCE _BV(REFS0)       /* the supply, with a capacitor at AREF */
#define TRIGGER_TIMER1_B (_BV(ADTS2) | _BV(ADTS0))
#define CONVERSION_CLOCKS 14UL     /* 13.5 for one started by hardware */

/* Matches are counted and the flag is cleared at least this long before the next one, which must not come in between. */
#define GUARD_CLOCKS 24u

static struct batch batches[BATCHES];
static volatile uint8_t filled, sent; /* batches since the start, modulo 256 */
static volatile bool running;
static uint32_t overrun;              /* pairs thrown away before the batch that was taken last */
static uint16_t top, limit;           /* of the timer: where it starts anew, and up to where a flag is cleared */
static uint8_t prescaler;

/* What follows is the converter interrupt's own. It is kept short and calls nothing: it is most of the chip's work. */
static uint8_t *at;                   /* where the next pair goes */
static uint8_t pairs;                 /* in the batch that is being filled */
static uint16_t gap;                  /* pairs thrown away since the last full batch; the line never stands still for long */
static uint8_t first_low, first_high;
static uint8_t trigger;               /* the compare match that begins this conversion: 0 the first, modulo 256; odd: channel 2 */
static bool paired;                   /* `first` is of the match before this one */

#define QUICK __attribute__((always_inline)) static inline

/* Compare matches so far, modulo 256. Its interrupt comes before all others in use and takes 24 clocks. */
#define MATCHES GPIOR0

ISR(TIMER1_COMPA_vect, ISR_NAKED)
{
    __asm volatile("push r24\n\tin r24, __SREG__\n\tpush r24\n\t"
                   "in r24, %0\n\tinc r24\n\tout %0, r24\n\t"
                   "pop r24\n\tout __SREG__, r24\n\tpop r24\n\treti" ::"I"(_SFR_IO_ADDR(MATCHES)));
}

QUICK void begin_batch(void)
{
    pairs = 0;
    at = batches[filled % BATCHES].frame + DATA_HEADER;
}

/* Clear the compare flag, so that the next match begins a conversion, and return how many began none because it was still
 * set. `trigger` moves to the one that begins the next conversion, and the converter to its channel, which the chip wants
 * before the flag is cleared. */
QUICK uint8_t await_trigger(void)
{
    while (TCNT1 > limit)
        ;
    uint8_t matches = MATCHES;
    if (TIFR1 & _BV(OCF1A)) /* its interrupt waits for this one to end: count it here instead */
        MATCHES = ++matches;
    ADMUX = matches & 1u ? REFERENCE | 1u : REFERENCE | 0u;
    TIFR1 = _BV(OCF1A) | _BV(OCF1B);
    uint8_t lost = (uint8_t)(matches - trigger - 1);
    trigger = matches;
    return lost;
}

QUICK void store(uint8_t low, uint8_t high)
{
    at[0] = first_low;
    at[1] = (uint8_t)(first_high | low << 4);
    at[2] = (uint8_t)(low >> 4 | high << 4);
    at += 3;
    if (++pairs < PAIRS_A_FRAME)
        return;
    if ((uint8_t)(filled - sent) < BATCHES - 1u) {
        batches[filled % BATCHES].gap = gap;
        filled++;
        gap = 0;
    } else {
        gap += PAIRS_A_FRAME; /* nobody fetched the batches: fill this one again */
    }
    begin_batch();
}

ISR(ADC_vect)
{
    uint8_t low = ADCL, high = ADCH;
    uint8_t now = trigger;
    uint8_t lost = await_trigger();
    if (now & 1u) {
        if (paired)
            store(low, high);
    } else {
        first_low = low;
        first_high = high;
    }
    paired = !(now & 1u) && !lost;
    if (!lost)
        return;
    /* A batch has no gaps: its pairs are given up, and so are those up to the next match that begins one. */
    uint8_t next = (uint8_t)(trigger + (trigger & 1u)), wanted = (uint8_t)(now + (now & 1u));
    gap += pairs + (uint8_t)(next - wanted) / 2u;
    begin_batch();
}

/* The slowest converter clock that is quick enough: the slower, the more accurate, best up to 200 kHz. */
static uint8_t choose_prescaler(uint32_t clocks_a_conversion)
{
    uint8_t power = 7;
    while (power > 2u && (CONVERSION_CLOCKS << power) > clocks_a_conversion)
        power--;
    return power;
}

uint32_t sampler_set_rate(uint32_t pairs_a_second)
{
    if (pairs_a_second < SLOWEST_HZ)
        pairs_a_second = SLOWEST_HZ;
    if (pairs_a_second > FASTEST_HZ)
        pairs_a_second = FASTEST_HZ;
    uint32_t clocks = (F_CPU / CHANNELS + pairs_a_second / 2u) / pairs_a_second;
    top = (uint16_t)(clocks - 1u);
    limit = (uint16_t)(top - GUARD_CLOCKS);
    prescaler = choose_prescaler(clocks);
    return clocks;
}

void sampler_open(void)
{
    DIDR0 = _BV(ADC0D) | _BV(ADC1D);
    TCCR1A = 0;
    ADMUX = REFERENCE;
    ADCSRB = TRIGGER_TIMER1_B;
    ADCSRA = _BV(ADEN) | _BV(ADSC) | 7u; /* the first conversion after switching on is a long one: spend it here */
    while (ADCSRA & _BV(ADSC))
        ;
    ADCSRA |= _BV(ADIF);
}

void sampler_start(void)
{
    sampler_stop();
    filled = sent = 0;
    overrun = gap = 0;
    trigger = MATCHES = 0;
    paired = false;
    begin_batch();
    ADMUX = REFERENCE | 0u;
    OCR1A = top;
    OCR1B = top;
    TCNT1 = 0;
    TIFR1 = _BV(OCF1A) | _BV(OCF1B);
    TIMSK1 = _BV(OCIE1A);
    ADCSRA = (uint8_t)(_BV(ADEN) | _BV(ADATE) | _BV(ADIE) | _BV(ADIF) | prescaler);
    running = true;
    TCCR1B = _BV(WGM12) | _BV(CS10); /* count to OCR1A at the full clock */
}

void sampler_stop(void)
{
    TCCR1B = 0;
    TIMSK1 = 0;
    ADCSRA &= (uint8_t)~(_BV(ADATE) | _BV(ADIE) | _BV(ADIF));
    while (ADCSRA & _BV(ADSC))
        ; /* a conversion still under way would be taken for the first one of the next start */
    ADCSRA |= _BV(ADIF);
    running = false;
    sent = filled;
}

bool sampler_running(void)
{
    return running;
}

bool sampler_has_batch(void)
{
    return sent != filled;
}

struct batch *sampler_take(void)
{
    if (!sampler_has_batch())
        return 0;
    struct batch *batch = &batches[sent % BATCHES];
    overrun += batch->gap;
    batch->gap = 0; /* counted once, however often it is asked for */
    put_u32(batch->frame + 3, overrun);
    return batch;
}

void sampler_give_back(void)
{
    sent++;
}
