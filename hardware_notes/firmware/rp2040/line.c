#include "line.h"

#include "registers.h"
#include "usb.h"

#define OUT_SIZE 2048u /* a power of two; eight frames */

/* Buffers in the USB memory: one for what comes, two in turn for what goes, so that the line never waits for us. */
#define IN_DATA 0x1C0u
#define OUT_DATA 0x200u

static uint32_t ring[OUT_SIZE / 4u];
static uint32_t head, tail; /* bytes put and sent since the ring was last empty, so whole words are sent */
static uint32_t half;       /* which of the two buffers is filled next */
static uint32_t data1;      /* what marks packets in turn */
static uint32_t fresh;      /* goes with the first packet of a connection */
static bool full_packet;    /* the last one was, so that an empty one must end the transfer */

static uint8_t received[LINE_IN_PACKET];
static uint32_t received_length, received_at, received_data1;

static void await_packet(void)
{
    usb_give(EP_BUFFER(USB_LINE, true), received_data1 | LINE_IN_PACKET);
    received_data1 ^= BUFFER_DATA1;
    received_length = received_at = 0;
}

void line_restart_sending(void)
{
    usb_revoke(USB_LINE, false);
    REG(EP_CONTROL(USB_LINE, false)) = EP_ENABLE | EP_DOUBLE | EP_INT_EACH | EP_BULK | OUT_DATA;
    half = data1 = 0;
    fresh = BUFFER_SELECT_FIRST;
    line_forget();
}

void line_restart_receiving(void)
{
    usb_revoke(USB_LINE, true);
    REG(EP_CONTROL(USB_LINE, true)) = EP_ENABLE | EP_INT_EACH | EP_BULK | IN_DATA;
    received_data1 = 0;
    await_packet();
}

void line_forget(void)
{
    head = tail = 0;
    full_packet = false;
}

uint32_t line_room(void)
{
    return OUT_SIZE - (head - tail);
}

void line_put(uint8_t byte)
{
    ((uint8_t *)ring)[head++ % OUT_SIZE] = byte;
}

void line_put_run(const uint8_t *bytes, uint8_t length)
{
    uint32_t to = head;
    head += length;
    while (length--)
        ((uint8_t *)ring)[to++ % OUT_SIZE] = *bytes++;
}

bool line_get(uint8_t *byte)
{
    if (received_at == received_length)
        return false;
    *byte = received[received_at++];
    if (received_at == received_length)
        await_packet();
    return true;
}

static void take_packet(void)
{
    uint32_t state = REG(EP_BUFFER(USB_LINE, true));
    if (received_length || state & BUFFER_AVAILABLE || !(state & BUFFER_FULL))
        return;
    received_length = state & BUFFER_LENGTH;
    for (uint32_t at = 0; at < received_length; at++)
        received[at] = *(volatile uint8_t *)(USB_MEMORY + IN_DATA + at);
    if (!received_length)
        await_packet();
}

static void send_packet(uint32_t length)
{
    volatile uint32_t *data = (volatile uint32_t *)(USB_MEMORY + OUT_DATA + half * USB_PACKET);
    const uint32_t *from = ring + tail % OUT_SIZE / 4u;
    for (uint32_t at = 0; at < length; at += 4u)
        *data++ = *from++;
    tail += length;
    if (tail == head)
        tail = head = 0;
    usb_give_half(EP_BUFFER(USB_LINE, false), half, (uint16_t)(BUFFER_FULL | data1 | fresh | length));
    fresh = 0;
    data1 ^= BUFFER_DATA1;
    half ^= 1u;
    full_packet = length == USB_PACKET;
}

void line_poll(void)
{
    take_packet();
    for (int packets = 0; packets < 2; packets++) {
        uint32_t length = head - tail < USB_PACKET ? head - tail : USB_PACKET;
        if ((!length && !full_packet) || REG(EP_BUFFER(USB_LINE, false)) & BUFFER_AVAILABLE << 16u * half)
            return;
        send_packet(length);
    }
}
