#include "sampler.h"

#include "clocks.h"
#include "registers.h"

/* Six channels of the DMA, each with a block of 32 KiB, the most that its address can wrap in, start one another. */
#define BLOCKS 6u
#define BLOCK_SAMPLES 16384u
#define BLOCK_BITS 15u
#define RING_SAMPLES (BLOCKS * BLOCK_SAMPLES) /* 197 ms at 500,000 samples a second */

#define LATE 16u       /* samples that the DMA may have counted before they are in memory */
#define EARLY 1024u    /* samples that may arrive while a frame is packed: 2 ms */
#define KEPT (RING_SAMPLES / 4u * 3u) /* after an overrun; one long gap does less harm than many short ones */

#define LEAST_CLOCKS 96u    /* a conversion; 500,000 a second */
#define MOST_CLOCKS 65536u  /* the divider's 16 bits; 732 a second */
#define CLOCKS_A_US (CONVERTER_HZ / 1000000u)

/* Two samples a word, the first in the low half. */
static volatile uint32_t ring[RING_SAMPLES / 2u] __attribute__((section(".ring"), aligned(1u << BLOCK_BITS)));
static uint8_t inputs = 3u, channels = 2u;
static uint32_t clocks_a_conversion = LEAST_CLOCKS;
static bool running;

static uint32_t at;         /* where in the ring the next frame begins */
static uint64_t waiting;    /* samples since there, whether the ring still holds them or not */
static uint32_t seen;       /* where in the ring the DMA was when last looked, */
static uint64_t seen_us;    /* and when that was */
static uint32_t overrun;

bool sampler_set_inputs(uint8_t chosen)
{
    if (!chosen || chosen >> INPUTS_THERE)
        return false;
    inputs = chosen;
    channels = 0;
    for (; chosen; chosen >>= 1)
        channels = (uint8_t)(channels + (chosen & 1u));
    return true;
}

uint8_t sampler_channels(void)
{
    return channels;
}

static uint32_t frame_values(void)
{
    return channels == 3u ? MOST_VALUES : 160u;
}

uint16_t sampler_frame_samples(void)
{
    return (uint16_t)(frame_values() / channels);
}

void sampler_set_rate(uint32_t hz)
{
    uint32_t highest = sampler_highest_hz();
    if (hz > highest)
        hz = highest;
    if (hz == 0)
        hz = 1;
    uint32_t clocks = (CONVERTER_HZ / channels + hz / 2u) / hz;
    clocks_a_conversion = clocks < LEAST_CLOCKS ? LEAST_CLOCKS : clocks > MOST_CLOCKS ? MOST_CLOCKS : clocks;
}

uint32_t sampler_conversion_clocks(void)
{
    return clocks_a_conversion;
}

uint32_t sampler_highest_hz(void)
{
    return CONVERTER_HZ / LEAST_CLOCKS / channels;
}

void sampler_open(void)
{
    clocks_release(RESET_ADC | RESET_DMA | RESET_PADS_BANK0);
    for (uint32_t input = 0; input < INPUTS_THERE; input++)
        REG(PADS_GPIO26 + 4u * input) = PAD_OUTPUT_OFF; /* no digital input, no pulls either */
    REG(ADC_CS) = ADC_EN;
    while (!(REG(ADC_CS) & ADC_READY))
        ;
}

static void start_dma(void)
{
    for (uint32_t block = 0; block < BLOCKS; block++) {
        uint32_t channel = DMA_CHANNEL(block);
        REG(DMA_REQUESTS(block)) = 0;
        REG(channel + DMA_READ_ADDR) = ADC_FIFO;
        REG(channel + DMA_WRITE_ADDR) = (uint32_t)(ring + block * BLOCK_SAMPLES / 2u);
        REG(channel + DMA_TRANS_COUNT) = BLOCK_SAMPLES;
        REG(channel + DMA_CTRL) = DMA_EN | DMA_HALFWORDS | DMA_INCR_WRITE | DMA_WRITE_RING(BLOCK_BITS) |
                                  DMA_CHAIN_TO((block + 1u) % BLOCKS) | DMA_ON_ADC | DMA_IRQ_QUIET;
    }
    REG(DMA_MULTI_CHAN_TRIGGER) = 1u;
}

void sampler_start(void)
{
    sampler_stop();
    at = seen = overrun = 0;
    waiting = 0;
    uint32_t first = 0;
    while (!(inputs >> first & 1u))
        first++;
    start_dma();
    REG(ADC_FCS) = FIFO_EN | FIFO_DREQ | FIFO_THRESHOLD(1) | FIFO_OVER | FIFO_UNDER;
    /* At the highest rate the converter is told to go on at once: a divider of 96 clocks would just miss. */
    REG(ADC_DIV) = clocks_a_conversion == LEAST_CLOCKS ? 0 : (clocks_a_conversion - 1u) << 8;
    seen_us = clocks_us();
    REG(ADC_CS) = ADC_EN | ADC_AINSEL(first) | ADC_RROBIN(inputs) | ADC_START_MANY;
    running = true;
}

void sampler_stop(void)
{
    running = false;
    REG(ADC_CS) = ADC_EN;
    while (!(REG(ADC_CS) & ADC_READY))
        ;
    REG(ADC_FCS) = FIFO_EN;
    for (uint32_t block = 0; block < BLOCKS; block++)
        REG(DMA_CHANNEL(block) + DMA_CTRL) = 0;
    REG(DMA_CHAN_ABORT) = (1u << BLOCKS) - 1u;
    while (REG(DMA_CHAN_ABORT))
        ;
    while (!(REG(ADC_FCS) & FIFO_EMPTY))
        (void)REG(ADC_FIFO);
}

bool sampler_running(void)
{
    return running;
}

bool sampler_failed(void)
{
    if (!running || !(REG(ADC_FCS) & (FIFO_OVER | FIFO_UNDER)))
        return false;
    sampler_stop();
    return true;
}

/* Where the DMA is in the ring. The channel that was busy before and after tells; for a moment between two none is. */
static uint32_t position(void)
{
    for (uint32_t block = seen / BLOCK_SAMPLES;; block = (block + 1u) % BLOCKS) {
        uint32_t channel = DMA_CHANNEL(block);
        if (!(REG(channel + DMA_CTRL) & DMA_BUSY))
            continue;
        uint32_t left = REG(channel + DMA_TRANS_COUNT);
        if (REG(channel + DMA_CTRL) & DMA_BUSY)
            return ((block + 1u) * BLOCK_SAMPLES - left) % RING_SAMPLES;
    }
}

/* Add what has been sampled since the last look. The place in the ring tells it to the sample but for whole rounds of the
 * ring; the timer tells those, and needs to be right by half a round only. */
static void look(void)
{
    uint64_t now_us = clocks_us();
    uint32_t now = position();
    uint64_t elapsed_us = now_us - seen_us;
    uint32_t ahead = (now + RING_SAMPLES - seen) % RING_SAMPLES;
    waiting += ahead;
    if (elapsed_us >= RING_SAMPLES / 2u * LEAST_CLOCKS / CLOCKS_A_US) {
        uint64_t expected = elapsed_us * CLOCKS_A_US / clocks_a_conversion;
        waiting += (expected + RING_SAMPLES / 2u - ahead) / RING_SAMPLES * RING_SAMPLES;
    }
    seen = now;
    seen_us = now_us;
}

static void skip_what_was_overwritten(void)
{
    uint32_t values = frame_values();
    uint64_t skipped = (waiting - KEPT) / values * values;
    waiting -= skipped;
    at = (uint32_t)((at + skipped) % RING_SAMPLES);
    overrun += (uint32_t)(skipped / channels);
}

static void pack(uint8_t *data, uint32_t values)
{
    for (; values; values -= 2u) {
        uint32_t pair = ring[at / 2u]; /* `at` is even: so is what a frame holds, and the ring */
        *data++ = (uint8_t)pair;
        *data++ = (uint8_t)((pair >> 8 & 0x0Fu) | (pair >> 12 & 0xF0u));
        *data++ = (uint8_t)(pair >> 20);
        at += 2u;
        if (at == RING_SAMPLES)
            at = 0;
    }
}

bool sampler_take(uint8_t *data, uint32_t *thrown)
{
    if (!running)
        return false;
    uint32_t values = frame_values();
    look();
    if (waiting > RING_SAMPLES - EARLY)
        skip_what_was_overwritten();
    if (waiting < values + LATE)
        return false;
    pack(data, values);
    waiting -= values;
    *thrown = overrun;
    return true;
}

uint32_t sampler_next_us(void)
{
    if (!running)
        return 0;
    uint32_t wanted = frame_values() + LATE;
    uint32_t missing = waiting < wanted ? wanted - (uint32_t)waiting : 1u;
    return missing * clocks_a_conversion / CLOCKS_A_US + 1u;
}
