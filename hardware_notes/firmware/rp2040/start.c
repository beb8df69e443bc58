/* From the vector table to main: memory, crystal, both PLLs, clocks. */
#include "clocks.h"
#include "registers.h"

extern uint32_t bss_begin[], bss_end[], stack_top[];
int main(void);

void reset(void) __attribute__((noreturn));
static void fault(void) __attribute__((noreturn));
static void nothing(void);

#define FOUR(handler) handler, handler, handler, handler
#define INTERRUPTS 26

/* Interrupts only end the sleep of the main loop, which keeps them masked: see clocks_sleep. */
static void (*const vectors[16 + INTERRUPTS])(void) __attribute__((used, section(".vectors"))) = {
    (void (*)(void))stack_top, reset, fault, fault, FOUR(fault), FOUR(fault), FOUR(fault),
    FOUR(nothing), FOUR(nothing), FOUR(nothing), FOUR(nothing), FOUR(nothing), FOUR(nothing), nothing, nothing,
};

void reset(void)
{
    __asm volatile("cpsid i");
    for (volatile uint32_t *word = bss_begin; word < bss_end; word++)
        *word = 0;
    clocks_open();
    main();
    fault();
}

/* Start afresh: the computer sees the board leave and come back, and nothing is sent that may be wrong. */
static void fault(void)
{
    REG(PSM_WDSEL) = PSM_ALL_BUT_OSCILLATORS;
    REG(WATCHDOG_CTRL) = WATCHDOG_TRIGGER;
    for (;;)
        ;
}

static void nothing(void)
{
}
