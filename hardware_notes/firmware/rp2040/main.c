/* Four-channel board for cranking current, sync marks, voltage and pressure: waits for commands, streams checked frames. */
#include "crc.h"
#include "clocks.h"
#include "flash_id.h"
#include "frames.h"
#include "hello.h"
#include "line.h"
#include "sampler.h"
#include "usb.h"

#define HIGHEST_CODE 4095u
#define NANOVOLTS_A_CODE 805664u /* 3.3 V in 4096 steps; the supply is the reference, so measure it and correct */

/* On the line a frame is its bytes, one of COBS, and the zero; a hello leaves as much room. */
#define LONGEST_ON_LINE (DATA_HEADER + DATA_BYTES_MOST + CRC_BYTES + 2u)

static uint16_t sequence;

static void send_hello(uint8_t answers, uint8_t status)
{
    static uint8_t frame[254];
    struct hello hello = {
        .answers = answers,
        .status = status,
        .state = (uint8_t)((sampler_running() ? STREAMING : 0u) | INPUTS_THERE << 4),
        .channels = sampler_channels(),
        .frame_samples = sampler_frame_samples(),
        .highest_code = HIGHEST_CODE,
        .nanovolts_a_code = NANOVOLTS_A_CODE,
        .clock_hz = CONVERTER_HZ,
        .conversion_clocks = sampler_conversion_clocks(),
        .highest_hz = sampler_highest_hz(),
        .title = "four-channel board, RP2040",
    };
    frame_send(frame, hello_build(frame, &hello));
}

static void obey(const uint8_t *command, uint8_t length)
{
    uint8_t status = DONE;
    bool start = false;
    if (command[0] == RATE && length == 5u && !sampler_running())
        sampler_set_rate(get_u32(command + 1));
    else if (command[0] == INPUTS && length == 2u && !sampler_running() && sampler_set_inputs(command[1]))
        sampler_set_rate(sampler_highest_hz());
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

static void obey_what_comes(void)
{
    static uint8_t command[COMMAND_LONGEST];
    uint8_t byte;
    while (line_room() >= LONGEST_ON_LINE && line_get(&byte)) {
        uint8_t length = frame_receive(byte, command);
        if (length)
            obey(command, length);
    }
}

/* Send one frame of samples; false when there is none, or no room for it. */
static bool send_samples(void)
{
    static uint8_t frame[DATA_HEADER + DATA_BYTES_MOST + CRC_BYTES];
    uint32_t overrun;
    if (line_room() < LONGEST_ON_LINE || !sampler_take(frame + DATA_HEADER, &overrun))
        return false;
    frame[0] = DATA;
    put_u16(frame + 1, sequence++);
    put_u32(frame + 3, overrun);
    frame_send(frame, (uint8_t)(DATA_HEADER + sampler_frame_samples() * sampler_channels() * 3u / 2u));
    return true;
}

int main(void)
{
    static char serial[FLASH_ID_LETTERS + 1u];
    flash_id_read(serial);
    crc_open();
    sampler_open();
    usb_open(serial);
    bool greeted = false;
    for (;;) {
        clocks_look();
        usb_poll();
        if (usb_ready() && !greeted)
            send_hello(0, DONE);
        greeted = usb_ready();
        if (usb_hung_up()) {
            sampler_stop();
            line_forget();
        }
        if (sampler_failed())
            send_hello(0, DONE); /* as after a start: the driver starts it again, the loss is unknown */
        if (usb_ready()) {
            obey_what_comes();
            if (send_samples())
                continue;
        }
        usb_poll();
        clocks_sleep(line_room() >= LONGEST_ON_LINE ? sampler_next_us() : 0);
    }
}
