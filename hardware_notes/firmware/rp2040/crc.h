/* CRC-16 with polynomial 0x1021: one byte more. */
#ifndef CRC_H
#define CRC_H

#include <stdint.h>

extern uint16_t crc_table[256];

void crc_open(void);

static inline uint16_t crc_add(uint16_t crc, uint8_t byte)
{
    return (uint16_t)(crc << 8 ^ crc_table[crc >> 8 ^ byte]);
}

#endif
