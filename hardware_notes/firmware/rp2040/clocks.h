/* Clocks, the microsecond timer and sleep. Everything runs from one 12 MHz crystal: the core at 125 MHz, converter and
 * USB at 48 MHz, the timer at 1 MHz. So the timer tells to the sample how many conversions have been made. */
#ifndef CLOCKS_H
#define CLOCKS_H

#include <stdint.h>

#define CONVERTER_HZ 48000000u

void clocks_open(void);

/* Let parts of the chip out of reset; `parts` are RESET_ bits. */
void clocks_release(uint32_t parts);

/* Microseconds since the start. */
uint64_t clocks_us(void);

/* Forget what woke the core so far; then look for work, then sleep: nothing that comes in between is slept through. */
void clocks_look(void);

/* Sleep until the USB needs attention or, unless it is 0, `longest_us` have passed. */
void clocks_sleep(uint32_t longest_us);

#endif
