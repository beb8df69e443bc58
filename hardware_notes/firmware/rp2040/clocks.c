#include "clocks.h"

#include "registers.h"

#define CRYSTAL_MHZ 12u
#define STARTUP_MS 64u /* the slowest crystals found on boards want tens of milliseconds */
#define STARTUP_UNIT 256u

#define SHORTEST_SLEEP_US 20u /* an alarm in the past never comes */

void clocks_release(uint32_t parts)
{
    SET(RESETS_RESET) = parts;
    CLEAR(RESETS_RESET) = parts;
    while (~REG(RESETS_RESET_DONE) & parts)
        ;
}

/* Frequency: 12 MHz * feedback / first / second. */
static void start_pll(uint32_t pll, uint32_t feedback, uint32_t first, uint32_t second)
{
    REG(pll + PLL_CS) = 1u; /* the crystal undivided */
    REG(pll + PLL_FBDIV_INT) = feedback;
    CLEAR(pll + PLL_PWR) = PLL_PD | PLL_VCOPD;
    while (!(REG(pll + PLL_CS) & PLL_LOCK))
        ;
    REG(pll + PLL_PRIM) = first << 16 | second << 12;
    CLEAR(pll + PLL_PWR) = PLL_POSTDIVPD;
}

void clocks_open(void)
{
    REG(XOSC_STARTUP) = CRYSTAL_MHZ * 1000u * STARTUP_MS / STARTUP_UNIT;
    REG(XOSC_CTRL) = XOSC_1_TO_15_MHZ | XOSC_ENABLE;
    while (!(REG(XOSC_STATUS) & XOSC_STABLE))
        ;
    REG(CLK_REF_CTRL) = CLK_REF_FROM_XOSC;
    while (REG(CLK_REF_SELECTED) != 1u << CLK_REF_FROM_XOSC)
        ;
    clocks_release(RESET_PLL_SYS | RESET_PLL_USB | RESET_TIMER);
    start_pll(PLL_SYS, 125, 6, 2);
    start_pll(PLL_USB, 100, 5, 5);
    REG(CLK_SYS_CTRL) = CLK_SYS_FROM_PLL_SYS;
    while (REG(CLK_SYS_SELECTED) != 1u << CLK_SYS_FROM_PLL_SYS)
        ;
    REG(CLK_USB_CTRL) = CLK_ENABLE_FROM_PLL_USB;
    REG(CLK_ADC_CTRL) = CLK_ENABLE_FROM_PLL_USB;
    REG(WATCHDOG_TICK) = CRYSTAL_MHZ | WATCHDOG_TICK_ENABLE;
    REG(TIMER_INTE) = 1u;
    REG(NVIC_ISER) = 1u << IRQ_TIMER0 | 1u << IRQ_USBCTRL;
}

uint64_t clocks_us(void)
{
    uint32_t high, low;
    do {
        high = REG(TIMER_RAW_HIGH);
        low = REG(TIMER_RAW_LOW);
    } while (high != REG(TIMER_RAW_HIGH));
    return (uint64_t)high << 32 | low;
}

void clocks_look(void)
{
    REG(TIMER_INTR) = 1u;
    REG(NVIC_ICPR) = 0xFFFFFFFFu;
}

/* With interrupts masked, one that becomes pending ends the sleep all the same, and no handler runs. */
void clocks_sleep(uint32_t longest_us)
{
    if (longest_us) {
        if (longest_us < SHORTEST_SLEEP_US)
            longest_us = SHORTEST_SLEEP_US;
        REG(TIMER_ALARM0) = REG(TIMER_RAW_LOW) + longest_us;
    }
    __asm volatile("dsb\n wfi" ::: "memory");
}
