#include "crc.h"

#define POLYNOMIAL 0x1021u

uint16_t crc_table[256];

void crc_open(void)
{
    for (uint32_t byte = 0; byte < 256u; byte++) {
        uint32_t crc = byte << 8;
        for (int bit = 0; bit < 8; bit++)
            crc = crc << 1 ^ (crc & 0x8000u ? POLYNOMIAL : 0u);
        crc_table[byte] = (uint16_t)crc;
    }
}
