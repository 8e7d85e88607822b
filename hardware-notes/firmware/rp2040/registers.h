/* Registers of the RP2040 that this firmware uses, by its data sheet: section 2.2 (addresses), then each block's. */
#ifndef REGISTERS_H
#define REGISTERS_H

#include <stdint.h>

#define REGISTER(address) (*(volatile uint32_t *)(address))
/* The same register, written so that the ones of the value are set or cleared in it (2.1.2). */
#define SET(address) REGISTER((address) + 0x2000)
#define CLEAR(address) REGISTER((address) + 0x3000)

/* Flash as memory (2.6.3): once through the cache, and once past it. */
#define FLASH 0x10000000
#define FLASH_PAST_CACHE 0x13000000

/* Its serial interface (4.10.13). */
#define SSI_CTRLR0 0x18000000
#define SSI_CTRLR1 0x18000004
#define SSI_SSIENR 0x18000008
#define SSI_SER 0x18000010
#define SSI_BAUDR 0x18000014
#define SSI_SR 0x18000028
#define SSI_SR_BUSY 0x01
#define SSI_SR_TFE 0x04
#define SSI_SR_RFNE 0x08
#define SSI_DR0 0x18000060
#define SSI_SPI_CTRLR0 0x180000f4
#define IO_QSPI_SS_CTRL 0x4001800c
#define OUTPUT_AS_USUAL 0
#define OUTPUT_LOW (2 << 8)
#define OUTPUT_HIGH (3 << 8)

/* Clocks (2.15.7, 2.16.7, 2.18.4). */
#define CLOCKS_REF_CTRL 0x40008030
#define CLOCKS_REF_SELECTED 0x40008038
#define CLOCKS_SYS_CTRL 0x4000803c
#define CLOCKS_SYS_SELECTED 0x40008044
#define CLOCKS_PERI_CTRL 0x40008048
#define CLOCKS_ADC_CTRL 0x40008060
#define XOSC_CTRL 0x40024000
#define XOSC_STATUS 0x40024004
#define XOSC_STARTUP 0x4002400c
#define PLL_SYS_CS 0x40028000
#define PLL_SYS_PWR 0x40028004
#define PLL_SYS_FBDIV 0x40028008
#define PLL_SYS_PRIM 0x4002800c

/* Resets, and why the chip started (2.12.8, 2.13.5, 2.14.3, 4.7.6). */
#define RESETS_RESET 0x4000c000
#define RESETS_DONE 0x4000c008
#define RESETS_ADC (1u << 0)
#define RESETS_IO_BANK0 (1u << 5)
#define RESETS_PADS_BANK0 (1u << 8)
#define RESETS_PIO0 (1u << 10)
#define RESETS_PLL_SYS (1u << 12)
#define RESETS_PWM (1u << 14)
#define RESETS_SPI0 (1u << 16)
#define RESETS_TIMER (1u << 21)
#define RESETS_UART0 (1u << 22)
#define PSM_WDSEL 0x40010008
#define CHIP_RESET 0x40064008
#define CHIP_RESET_HAD_POR (1u << 8)
#define WATCHDOG_CTRL 0x40058000
#define WATCHDOG_ENABLE (1u << 30)
#define WATCHDOG_LOAD 0x40058004
#define WATCHDOG_REASON 0x40058008
#define WATCHDOG_SCRATCH0 0x4005800c
#define WATCHDOG_TICK 0x4005802c

/* Pins (2.19.6, 2.3.1.7). */
#define IO_CTRL(pin) (0x40014004 + 8 * (pin))
#define FUNCTION_SPI 1
#define FUNCTION_UART 2
#define FUNCTION_PWM 4
#define FUNCTION_SIO 5
#define PADS(pin) (0x4001c004 + 4 * (pin))
#define PAD_PULL_DOWN 0x04
#define PAD_PULL_UP 0x08
#define PAD_SCHMITT 0x02
#define PAD_4_MA 0x10
#define PAD_INPUT 0x40
#define PAD_NO_OUTPUT 0x80
#define SIO_GPIO_IN 0xd0000004
#define SIO_GPIO_OUT_SET 0xd0000014
#define SIO_GPIO_OUT_CLR 0xd0000018
#define SIO_GPIO_OE_SET 0xd0000024

/* Peripherals (4.2.8, 4.4.4, 4.6.5, 4.9.6). */
#define UART0_DR 0x40034000
#define UART0_FR 0x40034018
#define UART_FR_RXFE 0x10
#define UART_FR_TXFF 0x20
#define UART0_IBRD 0x40034024
#define UART0_FBRD 0x40034028
#define UART0_LCR_H 0x4003402c
#define UART0_CR 0x40034030
#define SPI0_CR0 0x4003c000
#define SPI0_CR1 0x4003c004
#define SPI0_DR 0x4003c008
#define SPI0_SR 0x4003c00c
#define SPI_SR_RNE 0x04
#define SPI0_CPSR 0x4003c010
#define ADC_CS 0x4004c000
#define ADC_CS_EN 0x001
#define ADC_CS_TS_EN 0x002
#define ADC_CS_START_ONE 0x004
#define ADC_CS_READY 0x100
#define ADC_RESULT 0x4004c004
#define TIMER_RAWL 0x40054028

/* Switched outputs (4.5.3): slices of two pins. A comparison that is written counts from the next period on. */
#define PWM_CSR(slice) (0x40050000 + 0x14 * (slice))
#define PWM_CSR_EN 0x01
#define PWM_DIV(slice) (0x40050004 + 0x14 * (slice))
#define PWM_CC(slice) (0x4005000c + 0x14 * (slice))
#define PWM_TOP(slice) (0x40050010 + 0x14 * (slice))

/* State machines (3.7). */
#define PIO0_CTRL 0x50200000
#define PIO0_FSTAT 0x50200004
#define PIO_FSTAT_RXEMPTY(machine) (1u << (8 + (machine)))
#define PIO0_RXF(machine) (0x50200020 + 4 * (machine))
#define PIO0_INSTR_MEM(n) (0x50200048 + 4 * (n))
#define PIO0_EXECCTRL(machine) (0x502000cc + 0x18 * (machine))
#define PIO0_SHIFTCTRL(machine) (0x502000d0 + 0x18 * (machine))
#define PIO0_INSTR(machine) (0x502000d8 + 0x18 * (machine))
#define PIO0_IRQ0_INTE 0x5020012c

/* The processor's own (ARMv6-M Architecture Reference Manual, B3.2 to B3.4). */
#define SYST_CSR 0xe000e010
#define SYST_RVR 0xe000e014
#define SYST_CVR 0xe000e018
#define NVIC_ISER 0xe000e100
#define NVIC_IPR(n) (0xe000e400 + 4 * (n))
#define SHPR3 0xe000ed20

#endif
