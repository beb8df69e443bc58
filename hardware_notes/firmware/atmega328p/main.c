/* Two-channel board for cranking current and a sync mark: waits for commands, streams checked frames. */

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>

#include "frames.h"
#include "hello.h"
#include "line.h"
#include "sampler.h"

#define HIGHEST_CODE 1023u
#define NANOVOLTS_A_CODE 4882813UL /* 5 V in 1024 steps; the supply is the reference, so measure it and correct */

static const char title[] = "two-channel board, ATmega328P";
static uint32_t conversion_clocks;
static uint16_t sequence;

static void send_hello(uint8_t answers, uint8_t status)
{
    static uint8_t frame[HELLO_HEADER + CHANNELS * CHANNEL_BYTES + sizeof title + CRC_BYTES];
    struct hello hello = {
        .answers = answers,
        .status = status,
        .state = sampler_running() ? STREAMING : 0,
        .channels = CHANNELS,
        .frame_samples = PAIRS_A_FRAME,
        .highest_code = HIGHEST_CODE,
        .nanovolts_a_code = NANOVOLTS_A_CODE,
        .clock_hz = F_CPU,
        .conversion_clocks = conversion_clocks,
        .highest_hz = FASTEST_HZ,
        .title = title,
    };
    frame_send(frame, hello_build(frame, &hello));
}

static void obey(const uint8_t *command, uint8_t length)
{
    uint8_t status = DONE;
    bool start = false;
    if (command[0] == RATE && length == 5u && !sampler_running())
        conversion_clocks = sampler_set_rate(get_u32(command + 1));
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
    if (!line_has_input() && !sampler_has_batch()) {
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
    conversion_clocks = sampler_set_rate(FASTEST_HZ);
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
