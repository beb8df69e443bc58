/* What the board answers when the computer asks what it is: USB 2.0 chapter 9, USB CDC 1.2, USB PSTN 1.2. */
#ifndef DESCRIPTORS_H
#define DESCRIPTORS_H

#include <stdint.h>

void descriptors_open(const char *serial);

/* The descriptor and its length; null when there is none. `type` and `index` as in GET_DESCRIPTOR. */
const uint8_t *descriptor(uint8_t type, uint8_t index, uint32_t *length);

#endif
