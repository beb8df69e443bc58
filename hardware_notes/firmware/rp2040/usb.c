#include "usb.h"

#include "clocks.h"
#include "descriptors.h"
#include "line.h"
#include "registers.h"

#define NOTICE_DATA 0x180u

enum { GET_STATUS = 0x00, CLEAR_FEATURE = 0x01, SET_FEATURE = 0x03, SET_ADDRESS = 0x05, GET_DESCRIPTOR = 0x06,
       GET_CONFIGURATION = 0x08, SET_CONFIGURATION = 0x09, GET_INTERFACE = 0x0A, SET_INTERFACE = 0x0B };
enum { SET_LINE_CODING = 0x20, GET_LINE_CODING = 0x21, SET_CONTROL_LINE_STATE = 0x22 };
enum { KIND = 0x60, CLASS = 0x20, TO_COMPUTER = 0x80 };

#define LINE_CODING_LENGTH 7u
#define TERMINAL_READY 1u

struct setup {
    uint8_t type, request;
    uint16_t value, index, length;
};

static uint8_t chosen;                      /* configuration */
static bool terminal_ready, hung_up;
static const uint8_t *answer;               /* what is left to send on endpoint 0 */
static uint32_t answer_left;
static bool answering, answer_ends_empty;
static uint32_t answer_data1;
static uint8_t new_address;
static uint8_t *expected;                   /* where the data that follow a request go */
static uint8_t line_coding[LINE_CODING_LENGTH] = {0x40, 0x42, 0x0F, 0, 0, 0, 8}; /* 1 Mbaud, for what it matters */

void usb_give(uint32_t buffer, uint32_t control)
{
    REG(buffer) = control;
    /* The controller's clock is 2.6 times slower than ours: it must see the rest before it sees this bit. */
    __asm volatile("nop\n nop\n nop\n nop\n nop\n nop\n nop\n nop\n nop\n nop\n nop\n nop");
    REG(buffer) = control | BUFFER_AVAILABLE;
}

void usb_give_half(uint32_t buffer, uint32_t half, uint16_t control)
{
    volatile uint16_t *word = (volatile uint16_t *)buffer + half;
    *word = control;
    __asm volatile("nop\n nop\n nop\n nop\n nop\n nop\n nop\n nop\n nop\n nop\n nop\n nop");
    *word = control | BUFFER_AVAILABLE;
}

#define ABORT_TRIES 10000 /* a packet takes 50 us; chips before stepping B2 never say that they are done */

void usb_revoke(uint32_t endpoint, bool out)
{
    uint32_t bit = 1u << (2u * endpoint + (out ? 1u : 0u));
    if (REG(EP_BUFFER(endpoint, out)) & (BUFFER_AVAILABLE | BUFFER_AVAILABLE << 16)) {
        SET(USB_EP_ABORT) = bit;
        for (int tries = 0; tries < ABORT_TRIES && !(REG(USB_EP_ABORT_DONE) & bit); tries++)
            ;
    }
    REG(EP_BUFFER(endpoint, out)) = 0;
    CLEAR(USB_EP_ABORT) = bit;
    CLEAR(USB_EP_ABORT_DONE) = bit;
}

static void send_answer(void)
{
    uint32_t length = answer_left < USB_PACKET ? answer_left : USB_PACKET;
    for (uint32_t at = 0; at < length; at++)
        *(volatile uint8_t *)(EP0_DATA + at) = answer[at];
    answer += length;
    answer_left -= length;
    answering = answer_left || (length == USB_PACKET && answer_ends_empty);
    usb_give(EP_BUFFER(0, false), BUFFER_FULL | answer_data1 | length);
    answer_data1 ^= BUFFER_DATA1;
}

static void reply(const uint8_t *data, uint32_t length, const struct setup *setup)
{
    answer = data;
    answer_left = length < setup->length ? length : setup->length;
    answer_ends_empty = length < setup->length;
    usb_give(EP_BUFFER(0, true), BUFFER_DATA1); /* the computer ends the transfer with an empty packet */
    send_answer();
}

/* Nothing to say but that it is done. */
static void agree(void)
{
    answer_left = 0;
    answer_ends_empty = false;
    send_answer();
}

static void refuse(void)
{
    REG(USB_EP_STALL_ARM) = 3u;
    REG(EP_BUFFER(0, false)) = BUFFER_STALL;
    REG(EP_BUFFER(0, true)) = BUFFER_STALL;
}

static void configure(uint8_t value)
{
    hung_up = hung_up || terminal_ready;
    terminal_ready = false;
    chosen = value;
    if (!value)
        return;
    REG(EP_CONTROL(USB_NOTICES, false)) = EP_ENABLE | EP_INT_EACH | EP_INTERRUPT | NOTICE_DATA;
    REG(EP_BUFFER(USB_NOTICES, false)) = 0;
    line_restart_sending();
    line_restart_receiving();
}

static void on_class_request(const struct setup *setup)
{
    if (setup->request == SET_LINE_CODING && setup->length == LINE_CODING_LENGTH) {
        expected = line_coding;
        usb_give(EP_BUFFER(0, true), BUFFER_DATA1 | USB_PACKET);
    } else if (setup->request == GET_LINE_CODING) {
        reply(line_coding, LINE_CODING_LENGTH, setup);
    } else if (setup->request == SET_CONTROL_LINE_STATE) {
        bool ready = setup->value & TERMINAL_READY;
        hung_up = hung_up || (terminal_ready && !ready);
        terminal_ready = ready;
        agree();
    } else {
        refuse();
    }
}

static void on_request(const struct setup *setup)
{
    static const uint8_t zeros[2];
    uint32_t length;
    const uint8_t *found;
    switch (setup->request) {
    case GET_STATUS:
        reply(zeros, 2, setup);
        break;
    case CLEAR_FEATURE:
        if (chosen && setup->index == (TO_COMPUTER | USB_LINE))
            line_restart_sending();
        else if (chosen && setup->index == USB_LINE)
            line_restart_receiving();
        agree();
        break;
    case SET_ADDRESS:
        new_address = (uint8_t)setup->value;
        agree();
        break;
    case GET_DESCRIPTOR:
        found = descriptor((uint8_t)(setup->value >> 8), (uint8_t)setup->value, &length);
        if (found)
            reply(found, length, setup);
        else
            refuse();
        break;
    case GET_CONFIGURATION:
        reply(&chosen, 1, setup);
        break;
    case SET_CONFIGURATION:
        configure((uint8_t)setup->value);
        agree();
        break;
    case GET_INTERFACE:
        reply(zeros, 1, setup);
        break;
    case SET_INTERFACE:
    case SET_FEATURE:
        agree();
        break;
    default:
        refuse();
    }
}

static void on_setup(void)
{
    struct setup setup;
    uint32_t low = REG(USB_MEMORY), high = REG(USB_MEMORY + 4u);
    setup.type = (uint8_t)low;
    setup.request = (uint8_t)(low >> 8);
    setup.value = (uint16_t)(low >> 16);
    setup.index = (uint16_t)high;
    setup.length = (uint16_t)(high >> 16);
    answering = false;
    expected = 0;
    new_address = 0;
    answer_data1 = BUFFER_DATA1;
    if ((setup.type & KIND) == CLASS)
        on_class_request(&setup);
    else if ((setup.type & KIND) == 0)
        on_request(&setup);
    else
        refuse();
}

static void on_control_sent(void)
{
    if (answering)
        send_answer();
    if (new_address) {
        REG(USB_ADDR_ENDP) = new_address;
        new_address = 0;
    }
}

static void on_control_received(void)
{
    if (!expected)
        return;
    for (uint32_t at = 0; at < LINE_CODING_LENGTH; at++)
        expected[at] = *(volatile uint8_t *)(EP0_DATA + at);
    expected = 0;
    agree();
}

void usb_open(const char *serial)
{
    descriptors_open(serial);
    clocks_release(RESET_USBCTRL);
    for (uint32_t word = USB_MEMORY; word < EP0_DATA; word += 4u)
        REG(word) = 0;
    REG(USB_MUXING) = USB_TO_PHY | USB_SOFTCON;
    REG(USB_PWR) = USB_VBUS_DETECT | USB_VBUS_DETECT_OVERRIDE;
    REG(USB_MAIN_CTRL) = USB_CONTROLLER_EN;
    REG(USB_INTE) = USB_INT_BUFF_STATUS | USB_INT_BUS_RESET | USB_INT_SETUP_REQ;
    REG(USB_SIE_CTRL) = USB_EP0_INT_1BUF | USB_PULLUP_EN;
}

void usb_poll(void)
{
    uint32_t events = REG(USB_SIE_STATUS);
    if (events & USB_BUS_RESET) {
        CLEAR(USB_SIE_STATUS) = USB_BUS_RESET;
        REG(USB_ADDR_ENDP) = 0;
        usb_revoke(0, false);
        usb_revoke(0, true);
        configure(0);
    }
    uint32_t done = REG(USB_BUFF_STATUS);
    if (done)
        CLEAR(USB_BUFF_STATUS) = done; /* that of two buffers is set again at once; line_poll looks at both anyway */
    if (done & 1u)
        on_control_sent();
    if (done & 2u)
        on_control_received();
    if (events & USB_SETUP_REC) {
        CLEAR(USB_SIE_STATUS) = USB_SETUP_REC;
        on_setup();
    }
    if (chosen)
        line_poll();
}

bool usb_ready(void)
{
    return chosen;
}

bool usb_hung_up(void)
{
    bool was = hung_up;
    hung_up = false;
    return was;
}
