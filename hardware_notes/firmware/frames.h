/* Frames: COBS between zero bytes, CRC-16 (polynomial 0x1021 from 0xFFFF), high byte first, at the end. */
#ifndef FRAMES_H
#define FRAMES_H

#include <stdbool.h>
#include <stdint.h>

#define CRC_BYTES 2u
#define COMMAND_LONGEST 16u

/* Send `length` bytes of `frame`; there must be room for two more, where the checksum is put. At most 254 in all. */
void frame_send(uint8_t *frame, uint8_t length);

/* Feed one received byte. Returns the length of a sound command now in `command`, 0 as long as there is none. */
uint8_t frame_receive(uint8_t byte, uint8_t command[COMMAND_LONGEST]);

uint8_t *put_u16(uint8_t *at, uint16_t value);
uint8_t *put_u32(uint8_t *at, uint32_t value);
uint32_t get_u32(const uint8_t *at);

#endif
