/* The serial line over USB: a ring of bytes to the computer, one packet of bytes from it. */
#ifndef LINE_H
#define LINE_H

#include <stdbool.h>
#include <stdint.h>

#define LINE_IN_PACKET 64u

/* Begin a direction anew: empty, its endpoint at the first buffer and DATA0. */
void line_restart_sending(void);
void line_restart_receiving(void);

/* What is still to be sent is for nobody any more. */
void line_forget(void);

/* Bytes that there is room for now; to put more is an error of the caller. */
uint32_t line_room(void);
void line_put(uint8_t byte);
void line_put_run(const uint8_t *bytes, uint8_t length);

/* Take one received byte; false when there is none. */
bool line_get(uint8_t *byte);

/* Hand packets over to the USB controller and take received ones from it. */
void line_poll(void);

#endif
