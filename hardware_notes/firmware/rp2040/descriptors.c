#include "descriptors.h"

#include "usb.h"

/* Vendor 1209 is shared by open hardware; its product 0001 is for testing and for nothing that is sold or handed on. */
#define VENDOR 0x1209u
#define PRODUCT 0x0001u
#define VERSION 0x0100u

enum { DEVICE = 1, CONFIGURATION = 2, STRING = 3, INTERFACE = 4, ENDPOINT = 5, CLASS_INTERFACE = 0x24 };
enum { MAKER = 1, NAME = 2, SERIAL = 3, STRINGS = 4 };
enum { COMMUNICATIONS = 2, ABSTRACT_CONTROL = 2, CLASS_DATA = 10, BULK = 2, INTERRUPT = 3, TO_COMPUTER = 0x80 };

#define TWO(value) (uint8_t)(value), (uint8_t)((value) >> 8)
#define LONGEST_STRING 32u

static uint8_t device[] = {
    18, DEVICE, TWO(0x0200), COMMUNICATIONS, 0, 0, USB_PACKET, TWO(VENDOR), TWO(PRODUCT), TWO(VERSION),
    MAKER, NAME, SERIAL, 1,
};

#define CONFIGURATION_LENGTH 67u

static const uint8_t configuration[CONFIGURATION_LENGTH] = {
    9, CONFIGURATION, TWO(CONFIGURATION_LENGTH), 2, 1, 0, 0x80, 50, /* fed by the bus, 100 mA at most */
    9, INTERFACE, 0, 0, 1, COMMUNICATIONS, ABSTRACT_CONTROL, 0, 0,
    5, CLASS_INTERFACE, 0, TWO(0x0110),                             /* header: class version 1.10 */
    5, CLASS_INTERFACE, 1, 0, 1,                                    /* call management: none; data on interface 1 */
    4, CLASS_INTERFACE, 2, 2,                                       /* line coding and line state are understood */
    5, CLASS_INTERFACE, 6, 0, 1,                                    /* union of interfaces 0 and 1 */
    7, ENDPOINT, TO_COMPUTER | USB_NOTICES, INTERRUPT, TWO(16), 255,
    9, INTERFACE, 1, 0, 2, CLASS_DATA, 0, 0, 0,
    7, ENDPOINT, USB_LINE, BULK, TWO(USB_PACKET), 0,
    7, ENDPOINT, TO_COMPUTER | USB_LINE, BULK, TWO(USB_PACKET), 0,
};

static const char *texts[STRINGS] = {0, "crankfold", "four-channel board", 0};

void descriptors_open(const char *serial)
{
    texts[SERIAL] = serial;
    if (!*serial)
        device[16] = 0; /* no serial number is better than one that other boards have too */
}

static const uint8_t *string(uint8_t index, uint32_t *length)
{
    static uint8_t built[2u + 2u * LONGEST_STRING];
    uint32_t used = 2;
    if (index == 0) { /* the languages: English */
        built[used++] = 0x09;
        built[used++] = 0x04;
    } else if (index < STRINGS && *texts[index]) {
        for (const char *letter = texts[index]; *letter && used < sizeof built; letter++) {
            built[used++] = (uint8_t)*letter;
            built[used++] = 0;
        }
    } else {
        return 0;
    }
    built[0] = (uint8_t)used;
    built[1] = STRING;
    *length = used;
    return built;
}

const uint8_t *descriptor(uint8_t type, uint8_t index, uint32_t *length)
{
    if (type == STRING)
        return string(index, length);
    *length = type == DEVICE ? sizeof device : sizeof configuration;
    return type == DEVICE ? device : type == CONFIGURATION && index == 0 ? configuration : 0;
}
