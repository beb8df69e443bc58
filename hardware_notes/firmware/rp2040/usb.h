/* The USB device: a serial port (communications class, abstract control model) with an identity of its own. */
#ifndef USB_H
#define USB_H

#include <stdbool.h>
#include <stdint.h>

#define USB_PACKET 64u
#define USB_NOTICES 1u /* endpoint that the class asks for; nothing is ever sent there */
#define USB_LINE 2u

/* `serial`: a text of letters and digits that tells this board from its like, or an empty one. */
void usb_open(const char *serial);

/* Answer what the computer asks and move bytes; to be called again and again. */
void usb_poll(void);

/* Whether the computer has chosen the configuration, so that line.h works. */
bool usb_ready(void);

/* Whether a program has closed the port, or the cable has been pulled, since the last call. */
bool usb_hung_up(void);

/* Give a buffer to the controller: write its control word, and only then, some clocks later, that it is available. */
void usb_give(uint32_t buffer, uint32_t control);
void usb_give_half(uint32_t buffer, uint32_t half, uint16_t control);

/* Take the buffers of an endpoint back from the controller. */
void usb_revoke(uint32_t endpoint, bool out);

#endif
