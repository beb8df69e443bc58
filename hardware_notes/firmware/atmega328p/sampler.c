#include "sampler.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#define BATCHES 4u
#define REFERENCE _BV(REFS0)       /* the supply, with a capacitor at AREF */
#define TRIGGER_TIMER1_B (_BV(ADTS2) | _BV(ADTS0))
#define CONVERSION_CLOCKS 14UL     /* 13.5 for one started by hardware */

static struct batch batches[BATCHES];
static volatile uint8_t filled, sent; /* batches since the start, modulo 256 */
static volatile bool running;
static uint32_t overrun;              /* pairs thrown away since the start */
static uint16_t top;
static uint8_t prescaler;
static uint8_t used;                  /* bytes in the batch that is being filled */
static uint16_t first;
static bool second;

static void begin_batch(void)
{
    used = DATA_HEADER;
    put_u32(batches[filled % BATCHES].frame + 3, overrun);
}

ISR(ADC_vect)
{
    uint16_t value = ADC;
    TIFR1 = _BV(OCF1B); /* the converter waits for this flag to rise again */
    if (!second) {
        ADMUX = REFERENCE | 1u;
        first = value;
        second = true;
        return;
    }
    ADMUX = REFERENCE | 0u;
    second = false;
    uint8_t *at = batches[filled % BATCHES].frame + used;
    at[0] = (uint8_t)first;
    at[1] = (uint8_t)(first >> 8 | value << 4);
    at[2] = (uint8_t)(value >> 4);
    used = (uint8_t)(used + 3u);
    if (used < DATA_HEADER + DATA_BYTES)
        return;
    if ((uint8_t)(filled - sent) < BATCHES - 1u)
        filled++;
    else
        overrun += PAIRS_A_FRAME; /* nobody fetched the batches: fill this one again */
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
    prescaler = choose_prescaler(clocks);
    return clocks * CHANNELS;
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
    overrun = 0;
    second = false;
    begin_batch();
    ADMUX = REFERENCE | 0u;
    OCR1A = top;
    OCR1B = top;
    TCNT1 = 0;
    TIFR1 = _BV(OCF1B);
    ADCSRA = (uint8_t)(_BV(ADEN) | _BV(ADATE) | _BV(ADIE) | _BV(ADIF) | prescaler);
    running = true;
    TCCR1B = _BV(WGM12) | _BV(CS10); /* count to OCR1A at the full clock */
}

void sampler_stop(void)
{
    TCCR1B = 0;
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

struct batch *sampler_take(void)
{
    return sent == filled ? 0 : &batches[sent % BATCHES];
}

void sampler_give_back(void)
{
    sent++;
}
