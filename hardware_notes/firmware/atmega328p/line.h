/* The serial line: interrupt-driven, a ring in each direction. */
#ifndef LINE_H
#define LINE_H

#include <stdbool.h>
#include <stdint.h>

void line_open(void);

/* Queue one byte; waits while the ring is full, so sampling must run on interrupts. */
void line_put(uint8_t byte);
void line_put_run(const uint8_t *bytes, uint8_t length);

/* Take one received byte; false when there is none. */
bool line_get(uint8_t *byte);

bool line_has_input(void);

#endif
