#include "frames.h"

#include "crc.h"
#include "line.h"

static uint16_t checksum(const uint8_t *data, uint8_t length)
{
    uint16_t crc = 0xFFFF;
    while (length--)
        crc = crc_add(crc, *data++);
    return crc;
}

void frame_send(uint8_t *frame, uint8_t length)
{
    uint16_t crc = checksum(frame, length);
    frame[length] = (uint8_t)(crc >> 8);
    frame[length + 1u] = (uint8_t)crc;
    length = (uint8_t)(length + CRC_BYTES);
    uint8_t at = 0;
    for (;;) {
        uint8_t run = at;
        while (run < length && frame[run] != 0)
            run++;
        line_put((uint8_t)(run - at + 1));
        line_put_run(frame + at, (uint8_t)(run - at));
        at = run;
        if (run == length)
            break;
        at++; /* the zero itself, which the next length byte stands for */
    }
    line_put(0);
}

/* Undo COBS in place. Returns the number of bytes, 0 when the coding is wrong. */
static uint8_t uncode(uint8_t *data, uint8_t length)
{
    uint8_t from = 0, to = 0;
    while (from < length) {
        uint8_t code = data[from++];
        if (code == 0 || from + code - 1 > length)
            return 0;
        while (--code)
            data[to++] = data[from++];
        if (from < length)
            data[to++] = 0;
    }
    return to;
}

uint8_t frame_receive(uint8_t byte, uint8_t command[COMMAND_LONGEST])
{
    static uint8_t used;
    if (byte != 0) {
        if (used < COMMAND_LONGEST)
            command[used] = byte;
        if (used < 255u)
            used++;
        return 0;
    }
    uint8_t length = used <= COMMAND_LONGEST ? uncode(command, used) : 0;
    used = 0;
    if (length <= CRC_BYTES || checksum(command, length) != 0)
        return 0;
    return (uint8_t)(length - CRC_BYTES);
}

uint8_t *put_u16(uint8_t *at, uint16_t value)
{
    *at++ = (uint8_t)value;
    *at++ = (uint8_t)(value >> 8);
    return at;
}

uint8_t *put_u32(uint8_t *at, uint32_t value)
{
    return put_u16(put_u16(at, (uint16_t)value), (uint16_t)(value >> 16));
}

uint32_t get_u32(const uint8_t *at)
{
    return (uint32_t)at[0] | (uint32_t)at[1] << 8 | (uint32_t)at[2] << 16 | (uint32_t)at[3] << 24;
}
