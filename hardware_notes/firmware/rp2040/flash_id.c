#include "flash_id.h"

#include "registers.h"

#define READ_UNIQUE_ID 0x4Bu
#define DUMMY_BYTES 4u
#define ID_BYTES (FLASH_ID_LETTERS / 2u)
#define BYTES (1u + DUMMY_BYTES + ID_BYTES) /* 13: they fit into the interface's buffer of 16 */
#define CTRLR0_8_BITS_BOTH_WAYS (7u << 16)
#define CLOCK_DIVIDER 16u                   /* 7.8 MHz */
#define TRIES 100000

void flash_id_read(char text[FLASH_ID_LETTERS + 1u])
{
    static const char digits[] = "0123456789ABCDEF";
    text[0] = 0;
    REG(SSI_SSIENR) = 0;
    REG(SSI_CTRLR0) = CTRLR0_8_BITS_BOTH_WAYS;
    REG(SSI_BAUDR) = CLOCK_DIVIDER;
    REG(SSI_SER) = 0; /* nothing moves before the flash is selected, and it stays so until all is sent */
    REG(SSI_SSIENR) = 1;
    REG(SSI_DR0) = READ_UNIQUE_ID;
    for (uint32_t byte = 1; byte < BYTES; byte++)
        REG(SSI_DR0) = 0;
    REG(SSI_SER) = 1;
    for (int tries = 0; REG(SSI_RXFLR) < BYTES; tries++)
        if (tries == TRIES)
            return;
    uint8_t all_ones = 0xFF, any_one = 0;
    for (uint32_t byte = 0; byte < BYTES; byte++) {
        uint8_t value = (uint8_t)REG(SSI_DR0);
        if (byte < BYTES - ID_BYTES)
            continue;
        all_ones &= value;
        any_one |= value;
        *text++ = digits[value >> 4];
        *text++ = digits[value & 15u];
    }
    *text = 0;
    if (all_ones == 0xFF || !any_one)
        text[-(int)FLASH_ID_LETTERS] = 0; /* a flash that does not know the command */
}
