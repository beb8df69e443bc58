/* The number that the flash chip was given when it was made: what tells two boards apart. */
#ifndef FLASH_ID_H
#define FLASH_ID_H

#include <stdint.h>

#define FLASH_ID_LETTERS 16u

/* Write it as letters and digits; an empty text when the flash does not tell one. Nothing may run from the flash. */
void flash_id_read(char text[FLASH_ID_LETTERS + 1u]);

#endif
