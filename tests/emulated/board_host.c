/* The two-channel board on an emulated ATmega328P, in real time, its serial line a pseudo terminal.
 *
 *   board_host FIRMWARE.elf WAVEFORM ROWS_A_SECOND LONGEST_STALL
 *
 * WAVEFORM holds two 16-bit little-endian millivolt values a row; the row in force is chosen by the processor's clock,
 * counted from the first conversion. Prints the terminal's name, waits for a line (the other side holds the terminal
 * open by then), prints READY last. Bytes wait for room in the terminal as they do in the system's driver of a USB
 * serial bridge, which keeps 64 KiB; once the signal SIGUSR1 has come, what is beyond that is dropped. Before it, the
 * chip stands still while half of that waits, and it never runs faster than its clock to make up for a busy computer.
 * Prints DROPPED once 16 KiB are lost.
 * A thousand times a second the processor stands still for a while, up to LONGEST_STALL clocks and each time for another one,
 * as if something kept interrupts off so long. Ends when standard input does.
 */
#define _GNU_SOURCE
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include <avr_adc.h>
#include <avr_uart.h>
#include <sim_avr.h>
#include <sim_elf.h>
#include <sim_interrupts.h>

enum { CLOCK_HZ = 16000000, TIMER1_COMPB = 12, TIFR1_ADDRESS = 0x36, OCF1B_MASK = 4, CHANNELS = 2 };

static avr_t *avr;
static avr_irq_t *adc_irq;
static uint16_t (*rows)[CHANNELS];
static size_t row_count;
static double rows_a_cycle;
static avr_cycle_count_t first_conversion;
static int armed = 1, input_full;
static uint8_t out[65536];
static size_t out_used;
static volatile sig_atomic_t drops;

static void fail(const char *what)
{
    perror(what);
    exit(1);
}

static void load_rows(const char *path)
{
    FILE *file = fopen(path, "rb");
    if (!file || fseek(file, 0, SEEK_END))
        fail(path);
    row_count = (size_t)ftell(file) / sizeof *rows;
    rewind(file);
    rows = malloc(row_count * sizeof *rows);
    if (!rows || fread(rows, sizeof *rows, row_count, file) != row_count)
        fail(path);
    fclose(file);
}

/* A conversion begins: put the voltages of this instant on the pins. */
static void on_conversion(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)value, (void)param;
    if (!first_conversion && avr->cycle > 1000) {
        static int after_power_up; /* the converter's long first conversion at power-up is not a sample */
        if (!after_power_up++)
            return;
        first_conversion = avr->cycle;
    }
    size_t row = (size_t)((double)(avr->cycle - first_conversion + 8) * rows_a_cycle) % row_count;
    for (int channel = 0; channel < CHANNELS; channel++)
        avr_raise_irq(adc_irq + ADC_IRQ_ADC0 + channel, rows[row][channel]);
}

/* The converter is started by the rising edge of the compare flag, which this emulator leaves to its host. */
static void on_compare(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)param;
    if (value && armed) {
        armed = 0;
        avr_raise_irq(adc_irq + ADC_IRQ_IN_TRIGGER, 1);
    }
}

static void on_flag_write(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)param;
    if (value & OCF1B_MASK)
        armed = 1;
}

static void on_output(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)param;
    static size_t dropped;
    if (out_used < sizeof out) {
        out[out_used++] = (uint8_t)value;
    } else if (++dropped == 16384) {
        puts("DROPPED");
        fflush(stdout);
    }
}

static void on_room(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)value;
    input_full = param != NULL;
}

static void no_sleep(avr_t *which, avr_cycle_count_t how_long)
{
    (void)which, (void)how_long;
}

static avr_irq_t *uart_irq(int which)
{
    return avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), which);
}

static void build_board(const char *firmware)
{
    elf_firmware_t image = {0};
    if (elf_read_firmware(firmware, &image))
        fail(firmware);
    avr = avr_make_mcu_by_name("atmega328p");
    if (!avr || avr_init(avr))
        fail("atmega328p");
    avr_load_firmware(avr, &image);
    avr->frequency = CLOCK_HZ;
    avr->vcc = avr->avcc = avr->aref = 5000;
    avr->sleep = no_sleep;
    uint32_t flags = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    adc_irq = avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, 0);
    avr_irq_register_notify(adc_irq + ADC_IRQ_OUT_TRIGGER, on_conversion, NULL);
    avr_irq_register_notify(avr_get_interrupt_irq(avr, TIMER1_COMPB) + AVR_INT_IRQ_PENDING, on_compare, NULL);
    avr_irq_register_notify(avr_iomem_getirq(avr, TIFR1_ADDRESS, NULL, AVR_IOMEM_IRQ_ALL), on_flag_write, NULL);
    avr_irq_register_notify(uart_irq(UART_IRQ_OUTPUT), on_output, NULL);
    avr_irq_register_notify(uart_irq(UART_IRQ_OUT_XON), on_room, NULL);
    avr_irq_register_notify(uart_irq(UART_IRQ_OUT_XOFF), on_room, avr);
}

static int open_terminal(void)
{
    int master = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK);
    if (master < 0 || grantpt(master) || unlockpt(master))
        fail("terminal");
    int held = open(ptsname(master), O_RDWR | O_NOCTTY);
    struct termios raw;
    tcgetattr(held, &raw);
    cfmakeraw(&raw);
    tcsetattr(held, TCSANOW, &raw);
    printf("TERMINAL %s\n", ptsname(master));
    fflush(stdout);
    char line;
    if (read(STDIN_FILENO, &line, 1) != 1)
        exit(0);
    close(held);
    return master;
}

static void exchange(int master)
{
    ssize_t taken = out_used ? write(master, out, out_used) : 0;
    if (taken > 0) {
        out_used -= (size_t)taken;
        memmove(out, out + taken, out_used);
    }
    uint8_t byte;
    while (!input_full && read(master, &byte, 1) == 1)
        avr_raise_irq(uart_irq(UART_IRQ_INPUT), byte);
}

static void run_to(avr_cycle_count_t target, unsigned longest_stall)
{
    static avr_cycle_count_t next_stall = CLOCK_HZ / 1000;
    static unsigned stalls;
    while (avr->cycle < target) {
        int state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed)
            exit(3);
        if (longest_stall && avr->cycle >= next_stall && avr->sreg[S_I]) { /* never inside an interrupt */
            avr->cycle += ++stalls * 37 % longest_stall;
            next_stall += CLOCK_HZ / 1000 + 101;
        }
    }
}

static void let_drop(int signal_number)
{
    (void)signal_number;
    drops = 1;
}

static double now_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + (double)now.tv_nsec * 1e-9;
}

int main(int count, char **arguments)
{
    if (count != 5)
        return 2;
    load_rows(arguments[2]);
    rows_a_cycle = atof(arguments[3]) / CLOCK_HZ;
    build_board(arguments[1]);
    signal(SIGUSR1, let_drop);
    int master = open_terminal();
    puts("READY");
    fflush(stdout);
    struct pollfd parent = {.fd = STDIN_FILENO, .events = POLLIN};
    const double longest_step_s = 0.01;
    double then = now_s(), run_s = 0.0;
    while (poll(&parent, 1, 1) <= 0) { /* a signal is no reason to end */
        double now = now_s(), step_s = now - then < longest_step_s ? now - then : longest_step_s;
        then = now;
        if (drops || out_used < sizeof out / 2) {
            run_s += step_s;
            run_to((avr_cycle_count_t)(run_s * CLOCK_HZ), (unsigned)atoi(arguments[4]));
        }
        exchange(master);
    }
    return 0;
}
