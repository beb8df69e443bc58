/* Two-channel board for cranking current and a sync mark: waits for commands, streams checked frames. */

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <string.h>

#include "frames.h"
#include "line.h"
#include "sampler.h"

enum { HELLO = 0x01, DATA = 0x02 };
enum { WHAT = 0x11, RATE = 0x12, START = 0x13, STOP = 0x14 };
enum { DONE = 0, REFUSED = 1 };
enum { FORMAT = 1, PACKED_12_BIT = 1 };

#define HIGHEST_CODE 1023u
#define NANOVOLTS_A_CODE 4882813UL /* 5 V in 1024 steps; the supply is the reference, so measure it and correct */
#define CHANNEL_BYTES 12u
#define NANOSECONDS_A_CLOCK_X2 125UL /* 62.5 ns at 16 MHz */

static const char title[] = "two-channel board, ATmega328P";
static uint32_t divider;
static uint16_t sequence;

static uint8_t *put_channel(uint8_t *at, uint32_t skew_ns)
{
    at = put_u32(at, skew_ns);
    at = put_u32(at, NANOVOLTS_A_CODE);
    return put_u32(at, 0);
}

static void send_hello(uint8_t answers, uint8_t status)
{
    static uint8_t frame[29u + CHANNELS * CHANNEL_BYTES + sizeof title + CRC_BYTES];
    uint8_t *at = frame;
    *at++ = HELLO;
    *at++ = FORMAT;
    *at++ = answers;
    *at++ = status;
    *at++ = sampler_running();
    *at++ = CHANNELS;
    *at++ = PACKED_12_BIT;
    at = put_u16(at, PAIRS_A_FRAME);
    at = put_u32(at, 0);
    at = put_u32(at, HIGHEST_CODE);
    at = put_u32(at, F_CPU);
    at = put_u32(at, divider);
    at = put_u32(at, FASTEST_HZ);
    at = put_channel(at, 0);
    at = put_channel(at, divider / 2u * NANOSECONDS_A_CLOCK_X2 / 2u); /* half a period after the first */
    memcpy(at, title, sizeof title - 1u);
    at += sizeof title - 1u;
    frame_send(frame, (uint8_t)(at - frame));
}

static void obey(const uint8_t *command, uint8_t length)
{
    uint8_t status = DONE;
    bool start = false;
    if (command[0] == RATE && length == 5u && !sampler_running())
        divider = sampler_set_rate(get_u32(command + 1));
    else if (command[0] == START && length == 1u)
        start = true;
    else if (command[0] == STOP && length == 1u)
        sampler_stop();
    else if (command[0] != WHAT || length != 1u)
        status = REFUSED;
    if (start) {
        sequence = 0;
        sampler_start();
    }
    send_hello(command[0], status);
}

static void send_batch(struct batch *batch)
{
    batch->frame[0] = DATA;
    put_u16(batch->frame + 1, sequence++);
    frame_send(batch->frame, DATA_HEADER + DATA_BYTES);
    sampler_give_back();
}

static void rest_until_something_happens(void)
{
    cli();
    if (!line_has_input() && !sampler_take()) {
        SMCR = _BV(SE); /* idle: only the core rests */
        sei(); /* takes effect after the next instruction, so no interrupt is slept through */
        sleep_cpu();
        SMCR = 0;
    }
    sei();
}

int main(void)
{
    static uint8_t command[COMMAND_LONGEST];
    uint8_t byte;
    line_open();
    sampler_open();
    divider = sampler_set_rate(FASTEST_HZ);
    sei();
    send_hello(0, DONE);
    for (;;) {
        struct batch *batch = sampler_take();
        if (batch)
            send_batch(batch);
        if (line_get(&byte)) {
            uint8_t length = frame_receive(byte, command);
            if (length)
                obey(command, length);
        }
        rest_until_something_happens();
    }
}
