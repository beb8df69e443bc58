/* The registers of the RP2040 that this firmware touches; names and numbers are those of the chip's data sheet. */
#ifndef REGISTERS_H
#define REGISTERS_H

#include <stdint.h>

#define REG(address) (*(volatile uint32_t *)(address))
#define SET(address) REG((address) + 0x2000u)   /* writing sets the bits that are 1 */
#define CLEAR(address) REG((address) + 0x3000u) /* writing clears them */

#define RESETS_RESET 0x4000C000u
#define RESETS_RESET_DONE 0x4000C008u
#define RESET_ADC (1u << 0)
#define RESET_DMA (1u << 2)
#define RESET_PADS_BANK0 (1u << 8)
#define RESET_PLL_SYS (1u << 12)
#define RESET_PLL_USB (1u << 13)
#define RESET_TIMER (1u << 21)
#define RESET_USBCTRL (1u << 24)

#define XOSC_CTRL 0x40024000u
#define XOSC_STATUS 0x40024004u
#define XOSC_STARTUP 0x4002400Cu
#define XOSC_1_TO_15_MHZ 0xAA0u
#define XOSC_ENABLE (0xFABu << 12)
#define XOSC_STABLE (1u << 31)

#define PLL_SYS 0x40028000u
#define PLL_USB 0x4002C000u
#define PLL_CS 0x0u
#define PLL_PWR 0x4u
#define PLL_FBDIV_INT 0x8u
#define PLL_PRIM 0xCu
#define PLL_LOCK (1u << 31)
#define PLL_PD (1u << 0)
#define PLL_POSTDIVPD (1u << 3)
#define PLL_VCOPD (1u << 5)

#define CLK_REF_CTRL 0x40008030u
#define CLK_REF_SELECTED 0x40008038u
#define CLK_SYS_CTRL 0x4000803Cu
#define CLK_SYS_SELECTED 0x40008044u
#define CLK_USB_CTRL 0x40008054u
#define CLK_ADC_CTRL 0x40008060u
#define CLK_REF_FROM_XOSC 2u
#define CLK_SYS_FROM_PLL_SYS 1u
#define CLK_ENABLE_FROM_PLL_USB (1u << 11)

#define PSM_WDSEL 0x40010008u
#define PSM_ALL_BUT_OSCILLATORS 0x0001FFFCu
#define WATCHDOG_CTRL 0x40058000u
#define WATCHDOG_TRIGGER (1u << 31)
#define WATCHDOG_TICK 0x4005802Cu
#define WATCHDOG_TICK_ENABLE (1u << 9)

#define TIMER_ALARM0 0x40054010u
#define TIMER_RAW_HIGH 0x40054024u
#define TIMER_RAW_LOW 0x40054028u
#define TIMER_INTR 0x40054034u
#define TIMER_INTE 0x40054038u

#define PADS_GPIO26 0x4001C06Cu /* and GPIO27, 28, 29 after it */
#define PAD_OUTPUT_OFF (1u << 7)

#define ADC_CS 0x4004C000u
#define ADC_FCS 0x4004C008u
#define ADC_FIFO 0x4004C00Cu
#define ADC_DIV 0x4004C010u
#define ADC_EN (1u << 0)
#define ADC_START_MANY (1u << 3)
#define ADC_READY (1u << 8)
#define ADC_AINSEL(input) ((uint32_t)(input) << 12)
#define ADC_RROBIN(inputs) ((uint32_t)(inputs) << 16)
#define FIFO_EN (1u << 0)
#define FIFO_DREQ (1u << 3)
#define FIFO_EMPTY (1u << 8)
#define FIFO_UNDER (1u << 10)
#define FIFO_OVER (1u << 11)
#define FIFO_THRESHOLD(level) ((uint32_t)(level) << 24)

#define DMA_CHANNEL(number) (0x50000000u + 0x40u * (number))
#define DMA_READ_ADDR 0x0u
#define DMA_WRITE_ADDR 0x4u
#define DMA_TRANS_COUNT 0x8u
#define DMA_CTRL 0x10u /* the alias that does not start the channel */
#define DMA_REQUESTS(number) (0x50000800u + 0x40u * (number)) /* writing forgets requests not yet served */
#define DMA_MULTI_CHAN_TRIGGER 0x50000430u
#define DMA_CHAN_ABORT 0x50000444u
#define DMA_EN (1u << 0)
#define DMA_HALFWORDS (1u << 2)
#define DMA_INCR_WRITE (1u << 5)
#define DMA_WRITE_RING(bits) ((uint32_t)(bits) << 6 | 1u << 10)
#define DMA_CHAIN_TO(number) ((uint32_t)(number) << 11)
#define DMA_ON_ADC (36u << 15)
#define DMA_IRQ_QUIET (1u << 21)
#define DMA_BUSY (1u << 24)

#define USB_MEMORY 0x50100000u
#define USB_ADDR_ENDP 0x50110000u
#define USB_MAIN_CTRL 0x50110040u
#define USB_SIE_CTRL 0x5011004Cu
#define USB_SIE_STATUS 0x50110050u
#define USB_BUFF_STATUS 0x50110058u
#define USB_EP_ABORT 0x50110060u
#define USB_EP_ABORT_DONE 0x50110064u
#define USB_EP_STALL_ARM 0x50110068u
#define USB_MUXING 0x50110074u
#define USB_PWR 0x50110078u
#define USB_INTE 0x50110090u
#define USB_CONTROLLER_EN (1u << 0)
#define USB_EP0_INT_1BUF (1u << 29)
#define USB_PULLUP_EN (1u << 16)
#define USB_BUS_RESET (1u << 19)
#define USB_SETUP_REC (1u << 17)
#define USB_TO_PHY (1u << 0)
#define USB_SOFTCON (1u << 3)
#define USB_VBUS_DETECT (1u << 3)
#define USB_VBUS_DETECT_OVERRIDE (1u << 2)
#define USB_INT_BUFF_STATUS (1u << 4)
#define USB_INT_BUS_RESET (1u << 12)
#define USB_INT_SETUP_REQ (1u << 16)

/* In the USB memory: control word and buffer control word of an endpoint. */
#define EP_CONTROL(number, out) (USB_MEMORY + 8u * (number) + ((out) ? 4u : 0u))
#define EP_BUFFER(number, out) (USB_MEMORY + 0x80u + 8u * (number) + ((out) ? 4u : 0u))
#define EP0_DATA (USB_MEMORY + 0x100u)
#define EP_ENABLE (1u << 31)
#define EP_DOUBLE (1u << 30)
#define EP_INT_EACH (1u << 29)
#define EP_BULK (2u << 26)
#define EP_INTERRUPT (3u << 26)
#define BUFFER_FULL 0x8000u
#define BUFFER_DATA1 0x2000u
#define BUFFER_SELECT_FIRST 0x1000u
#define BUFFER_STALL 0x0800u
#define BUFFER_AVAILABLE 0x0400u
#define BUFFER_LENGTH 0x03FFu

#define SSI_CTRLR0 0x18000000u
#define SSI_SSIENR 0x18000008u
#define SSI_SER 0x18000010u
#define SSI_BAUDR 0x18000014u
#define SSI_RXFLR 0x18000024u
#define SSI_DR0 0x18000060u

#define NVIC_ISER 0xE000E100u
#define NVIC_ICPR 0xE000E280u
#define IRQ_TIMER0 0u
#define IRQ_USBCTRL 5u

#endif
