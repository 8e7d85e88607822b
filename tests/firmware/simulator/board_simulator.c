/* Runs the reference firmware on a simulated ATmega328P, in lock-step with whoever drives it
 * through standard input and output.
 *
 * Copyright (C) 2026 The Leverarm contributors
 *
 * This program is free software: you can redistribute it and/or modify it under the terms of the
 * GNU General Public License as published by the Free Software Foundation, either version 3 of the
 * License, or (at your option) any later version.
 *
 * This program is distributed in the hope that it will be useful, but WITHOUT ANY WARRANTY;
 * without even the implied warranty of MERCHANTABILITY or FITNESS FOR A PARTICULAR PURPOSE. See
 * the GNU General Public License for more details.
 *
 * You should have received a copy of the GNU General Public License along with this program (file
 * LICENSE-GPL-3). If not, see <https://www.gnu.org/licenses/>.
 *
 * It is a program of its own because it links libsimavr, which has that licence; the rest of the
 * project only talks to it. Nothing here reads a clock: time is the cycle count, 16 a microsecond.
 *
 * Usage: board_simulator FIRMWARE.bin BAUD
 *
 * One command a line; the answer is any number of lines and then "ok", or "error" and a reason.
 *
 *   run CYCLE                 runs until then; the answer has what happened, in order:
 *                               edge PICKUP CYCLE    a tooth edge reached the pins
 *                               sent CYCLE HEX       bytes on the line, up to a delimiter; the
 *                                                    cycle is the end of the last
 *                               run_pin CYCLE 0|1    the output that lets the engine run
 *                               converted CYCLE N    the load-cell converter has a new value
 *                               reset CYCLE          the chip started again
 *   edges PICKUP CYCLE...     edges to come, rising; absolute cycles, each after the one before
 *   receive CYCLE HEX         bytes to the board, one after the other, the first then
 *   wire 0|1                  whether T0 is wired to pickup 0 (at the start it is)
 *   force N [STEP]            value of the load-cell converter, and what to add each time
 *   cell_period CYCLES        time between its conversions; 0: no converter
 *   cell_grounded 0|1         whether its data wire touches ground
 *   thermocouple WORD         what the thermocouple converter answers, hex
 *   analog CHANNEL MILLIVOLT
 *   supply MILLIVOLT
 *   peek ADDRESS COUNT        bytes of data memory
 *   poke ADDRESS HEX
 *   stuck ADDRESS AND         that byte of data memory keeps only these bits
 *   flash ADDRESS HEX         changes the program
 *   eeprom ADDRESS HEX        changes the EEPROM
 *   eeprom_peek ADDRESS COUNT
 *   hang 0|1                  puts an endless loop where the main program is, with interrupts
 *                             off or on; "hung ADDRESS" says where
 *   reset FLAGS               starts the chip with this MCUSR, after power-on if bit 0 is set
 *   measures                  extremes since the last call: loop_cycles_max, the longest between
 *                             two watchdog resets; receive_waiting_max, bytes on their way in or
 *                             not yet read (the chip holds three); stack_bytes_max;
 *                             clock_high_max of the load cell; interrupts_off_cycles_max,
 *                             and the program address at its end
 */
#include <ctype.h>
#include <inttypes.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <simavr/avr_adc.h>
#include <simavr/avr_eeprom.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_spi.h>
#include <simavr/avr_timer.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_irq.h>

#define CLOCK_HZ 16000000

/* Data memory addresses of the chip. */
enum { DDRB = 0x24, PORTB = 0x25, MCUSR = 0x54, UBRR0 = 0xC4 };
enum { RUN_BIT = 1 << 1, SELECT_BIT = 1 << 2, PORF_BIT = 1 };

enum { VECTORS_END = 26 * 4, INTERRUPT_ENTRY_CYCLES = 4 };
enum { OPCODE_WDR = 0x95A8, OPCODE_HERE = 0xCFFF /* jumps to itself */ };

/* A pulse from a pickup, wide enough for every input. */
enum { PULSE_CYCLES = 64 };

struct queue {
    uint64_t *cycles;
    uint8_t *bytes;
    size_t first, count, room;
};

static avr_t *avr;
static avr_uart_t *uart;
static avr_irq_t *spi_irq, *uart_irq, *adc_irq;

static struct queue pickup[2], received;
static uint64_t pulse_end[2];
static bool wired = true;
static uint64_t byte_cycles;

static uint8_t outgoing[512];
static size_t outgoing_count;

static int32_t force_counts, force_step;
static uint64_t cell_period = CLOCK_HZ / 80, cell_next;
static uint32_t cell_word;
static unsigned cell_pulses;
static bool cell_clock, cell_grounded;
static uint64_t cell_clock_since;
static uint32_t thermocouple_word;
static unsigned spi_byte;

static bool run_level;
static int stuck_address = -1;
static uint8_t stuck_mask;

static uint64_t loop_since, loop_max, clock_high_max;
static unsigned receive_waiting_max, stack_low = 0xFFFF;
static uint64_t off_since, off_max;
static avr_flashaddr_t off_pc;
static avr_flashaddr_t pc_before;

static void fail(const char *format, ...)
{
    va_list args;
    va_start(args, format);
    fputs("error ", stdout);
    vprintf(format, args);
    putchar('\n');
    fflush(stdout);
    va_end(args);
    exit(1);
}

static void put(struct queue *queue, uint64_t cycle, uint8_t byte)
{
    if (queue->count == queue->room) {
        queue->room = queue->room ? 2 * queue->room : 1024;
        queue->cycles = realloc(queue->cycles, queue->room * sizeof *queue->cycles);
        queue->bytes = realloc(queue->bytes, queue->room);
        if (!queue->cycles || !queue->bytes)
            fail("no memory");
    }
    queue->cycles[queue->count] = cycle;
    queue->bytes[queue->count++] = byte;
}

static bool is_due(const struct queue *queue)
{
    return queue->first < queue->count && queue->cycles[queue->first] <= avr->cycle;
}

static avr_irq_t *pin(char port, int bit)
{
    return avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(port), IOPORT_IRQ_PIN0 + bit);
}

/* ---- What happens at the pins ------------------------------------------------------------- */

/* Something outside holds a pin at this level. Without telling the port of it, each write to the
 * port would make the library show the internal pull-up again. */
static void drive(char port, int bit, bool level)
{
    static uint8_t masks[2], levels[2];
    int which = port - 'B' ? 1 : 0;
    masks[which] |= 1 << bit;
    levels[which] = level ? levels[which] | 1 << bit : levels[which] & ~(1 << bit);
    avr_ioport_external_t held = { .name = port, .mask = masks[which], .value = levels[which] };
    avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL(port), &held);
    avr_raise_irq(pin(port, bit), level);
}

static void drive_pickup(int which, bool level)
{
    if (which == 0) {
        if (wired)
            drive('D', 4, level);
        drive('B', 0, level);
    } else {
        drive('D', 3, level);
    }
}

static void drive_cell(bool level)
{
    drive('D', 2, level && !cell_grounded);
}

static void print_outgoing(void)
{
    if (!outgoing_count)
        return;
    printf("sent %" PRIu64 " ", avr->cycle + byte_cycles);
    for (size_t i = 0; i < outgoing_count; i++)
        printf("%02x", outgoing[i]);
    putchar('\n');
    outgoing_count = 0;
}

static void on_sent(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)param;
    outgoing[outgoing_count++] = (uint8_t)value;
    if (value == 0 || outgoing_count == sizeof outgoing)
        print_outgoing();
}

static void on_cell_clock(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)param;
    bool high = value & 1;
    if (high == cell_clock)
        return;
    cell_clock = high;
    if (!high) {
        uint64_t held = avr->cycle - cell_clock_since;
        if (held > clock_high_max)
            clock_high_max = held;
        return;
    }
    cell_clock_since = avr->cycle;
    cell_pulses++;
    bool bit = cell_pulses > 24 || (cell_word >> (24 - cell_pulses) & 1);
    drive_cell(bit);
}

static void on_spi(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)value, (void)param;
    if (avr->data[PORTB] & SELECT_BIT)
        return;
    avr_raise_irq(spi_irq + SPI_IRQ_INPUT, thermocouple_word >> (24 - 8 * spi_byte) & 0xFF);
    spi_byte = (spi_byte + 1) % 4;
}

static void inputs(void)
{
    for (int i = 0; i < 2; i++) {
        if (pulse_end[i] && avr->cycle >= pulse_end[i]) {
            pulse_end[i] = 0;
            drive_pickup(i, false);
        }
        if (!pulse_end[i] && is_due(&pickup[i])) {
            struct queue *queue = &pickup[i];
            printf("edge %d %" PRIu64 "\n", i, avr->cycle);
            uint64_t next = ++queue->first < queue->count ? queue->cycles[queue->first] : UINT64_MAX;
            uint64_t width = next - avr->cycle > 2 * PULSE_CYCLES ? PULSE_CYCLES
                             : next > avr->cycle + 4              ? (next - avr->cycle) / 2
                                                                  : 2;
            pulse_end[i] = avr->cycle + width;
            drive_pickup(i, true);
        }
    }
    if (is_due(&received))
        avr_raise_irq(uart_irq + UART_IRQ_INPUT, received.bytes[received.first++]);
    if (cell_period && avr->cycle >= cell_next) {
        cell_next = avr->cycle + cell_period;
        force_counts += force_step;
        cell_word = (uint32_t)force_counts & 0xFFFFFF;
        cell_pulses = 0;
        printf("converted %" PRIu64 " %" PRId32 "\n", avr->cycle, force_counts);
        drive_cell(false);
    }
}

static void watch(void)
{
    bool level = avr->data[PORTB] & avr->data[DDRB] & RUN_BIT;
    if (level != run_level) {
        run_level = level;
        printf("run_pin %" PRIu64 " %d\n", avr->cycle, level);
    }

    unsigned waiting = (uart->input.write + uart_fifo_fifo_size - uart->input.read) % uart_fifo_fifo_size;
    if (waiting > receive_waiting_max)
        receive_waiting_max = waiting;

    if (avr->sreg[S_I]) {
        if (off_since && avr->cycle - off_since > off_max) {
            off_max = avr->cycle - off_since;
            off_pc = pc_before;
        }
        off_since = 0;
    } else if (!off_since && loop_since) {
        off_since = avr->cycle;
    }

    unsigned stack = avr->data[R_SPL] | avr->data[R_SPH] << 8;
    if (stack && stack < stack_low)
        stack_low = stack;
}

static void chip_started(void)
{
    printf("reset %" PRIu64 "\n", avr->cycle);
    loop_since = 0;
    outgoing_count = 0;
    /* After a reset the library passes on only what changes. */
    drive_cell(false);
    drive_cell(true);
}

static void step(void)
{
    inputs();
    avr_flashaddr_t pc = avr->pc;
    if ((avr->flash[pc] | avr->flash[pc + 1] << 8) == OPCODE_WDR) {
        if (loop_since && avr->cycle - loop_since > loop_max)
            loop_max = avr->cycle - loop_since;
        loop_since = avr->cycle;
    }
    if (stuck_address >= 0)
        avr->data[stuck_address] &= stuck_mask;
    if (avr_run(avr) == cpu_Crashed)
        fail("the program crashed at %#x", pc);
    if (avr->pc == 0 && pc_before != 0)
        chip_started();
    else if (avr->pc < VECTORS_END && avr->pc && pc >= VECTORS_END)
        avr->cycle += INTERRUPT_ENTRY_CYCLES;
    pc_before = avr->pc;
    /* The library counts 11 bits for 8N1. */
    if (uart->cycles_per_byte != byte_cycles && avr->data[UBRR0])
        uart->cycles_per_byte = byte_cycles;
    watch();
}

/* ---- Commands ----------------------------------------------------------------------------- */

static char *next_word(void)
{
    char *word = strtok(NULL, " \n");
    if (!word)
        fail("a word is missing");
    return word;
}

static int64_t number(int base)
{
    char *word = next_word(), *end;
    int64_t value = strtoll(word, &end, base);
    if (*end)
        fail("%s is no number", word);
    return value;
}

static size_t hex(uint8_t *bytes, size_t room)
{
    char *word = strtok(NULL, " \n");
    size_t count = 0;
    for (; word && isxdigit((unsigned char)word[0]) && isxdigit((unsigned char)word[1]); word += 2) {
        char two[] = { word[0], word[1], 0 };
        if (count == room)
            fail("too many bytes");
        bytes[count++] = (uint8_t)strtoul(two, NULL, 16);
    }
    if (word && *word)
        fail("%s is not hex", word);
    return count;
}

static void print_bytes(const uint8_t *bytes, size_t count)
{
    fputs("bytes ", stdout);
    for (size_t i = 0; i < count; i++)
        printf("%02x", bytes[i]);
    putchar('\n');
}

static size_t address(size_t count, size_t end)
{
    size_t at = (size_t)number(0);
    if (at + count > end)
        fail("address %zu and %zu bytes: only %zu there", at, count, end);
    return at;
}

static void edges(void)
{
    int64_t which = number(0);
    if (which < 0 || which > 1)
        fail("pickup %" PRId64, which);
    for (char *word; (word = strtok(NULL, " \n"));)
        put(&pickup[which], strtoull(word, NULL, 0), 0);
}

static void receive(void)
{
    static uint8_t bytes[1 << 20];
    uint64_t at = (uint64_t)number(0);
    size_t count = hex(bytes, sizeof bytes);
    if (received.first < received.count && received.cycles[received.count - 1] + byte_cycles > at)
        at = received.cycles[received.count - 1] + byte_cycles;
    for (size_t i = 0; i < count; i++, at += byte_cycles)
        put(&received, at, bytes[i]);
}

static void eeprom(bool write)
{
    static uint8_t bytes[1024];
    avr_eeprom_desc_t block = { .ee = bytes };
    block.offset = (uint16_t)number(0);
    block.size = write ? (uint32_t)hex(bytes, sizeof bytes) : (uint32_t)number(0);
    if (block.offset + block.size > sizeof bytes)
        fail("beyond the EEPROM");
    if (write) {
        avr_ioctl(avr, AVR_IOCTL_EEPROM_SET, &block);
        return;
    }
    avr_ioctl(avr, AVR_IOCTL_EEPROM_GET, &block);
    print_bytes(block.ee, block.size);
}

static void hang(bool interrupts_on)
{
    while (!avr->sreg[S_I] || avr->pc < VECTORS_END)
        step();
    printf("hung %u\n", avr->pc);
    avr->flash[avr->pc] = OPCODE_HERE & 0xFF;
    avr->flash[avr->pc + 1] = OPCODE_HERE >> 8;
    if (!interrupts_on)
        avr->sreg[S_I] = 0;
}

static void reset(uint8_t flags)
{
    avr_reset(avr);
    avr->data[MCUSR] = flags;
    if (flags & PORF_BIT)
        memset(avr->data + 0x100, 0x5A, avr->ramend - 0xFF);
    chip_started();
    watch();
}

static void measures(void)
{
    printf("loop_cycles_max %" PRIu64 "\n", loop_max);
    printf("receive_waiting_max %u\n", receive_waiting_max);
    printf("stack_bytes_max %u\n", avr->ramend - stack_low);
    printf("clock_high_max %" PRIu64 "\n", clock_high_max);
    printf("interrupts_off_cycles_max %" PRIu64 "\ninterrupts_off_pc %u\n", off_max, off_pc);
    off_max = loop_max = clock_high_max = 0;
    receive_waiting_max = 0;
    stack_low = 0xFFFF;
}

static void command(const char *name)
{
    uint8_t bytes[256];
    size_t count, at;
    if (!strcmp(name, "run")) {
        uint64_t until = (uint64_t)number(0);
        while (avr->cycle < until)
            step();
        print_outgoing();
    } else if (!strcmp(name, "edges")) {
        edges();
    } else if (!strcmp(name, "receive")) {
        receive();
    } else if (!strcmp(name, "wire")) {
        wired = number(0);
    } else if (!strcmp(name, "force")) {
        force_counts = (int32_t)number(0);
        char *word = strtok(NULL, " \n");
        force_step = word ? (int32_t)strtol(word, NULL, 0) : 0;
    } else if (!strcmp(name, "cell_period")) {
        cell_period = (uint64_t)number(0);
        cell_next = avr->cycle + cell_period;
        drive_cell(true);
    } else if (!strcmp(name, "cell_grounded")) {
        cell_grounded = number(0);
        drive_cell(!cell_grounded);
    } else if (!strcmp(name, "thermocouple")) {
        thermocouple_word = (uint32_t)number(16);
    } else if (!strcmp(name, "analog")) {
        at = address(1, 6);
        avr_raise_irq(adc_irq + at, (uint32_t)number(0));
    } else if (!strcmp(name, "supply")) {
        avr->vcc = avr->avcc = avr->aref = (uint32_t)number(0);
    } else if (!strcmp(name, "peek")) {
        at = address(1, avr->ramend);
        count = (size_t)number(0);
        print_bytes(avr->data + at, count);
    } else if (!strcmp(name, "poke")) {
        at = address(1, avr->ramend);
        count = hex(bytes, sizeof bytes);
        memcpy(avr->data + at, bytes, count);
    } else if (!strcmp(name, "stuck")) {
        stuck_address = (int)address(1, avr->ramend);
        stuck_mask = (uint8_t)number(0);
    } else if (!strcmp(name, "flash")) {
        at = address(1, avr->flashend);
        count = hex(bytes, sizeof bytes);
        memcpy(avr->flash + at, bytes, count);
    } else if (!strcmp(name, "eeprom")) {
        eeprom(true);
    } else if (!strcmp(name, "eeprom_peek")) {
        eeprom(false);
    } else if (!strcmp(name, "hang")) {
        hang(number(0));
    } else if (!strcmp(name, "reset")) {
        reset((uint8_t)number(0));
    } else if (!strcmp(name, "measures")) {
        measures();
    } else {
        fail("unknown command %s", name);
    }
    puts("ok");
    fflush(stdout);
}

/* ------------------------------------------------------------------------------------------- */

static void quiet(struct avr_t *chip, const int level, const char *format, va_list args)
{
    (void)chip;
    if (level <= LOG_ERROR)
        vfprintf(stderr, format, args);
}

static void no_sleep(avr_t *chip, avr_cycle_count_t cycles)
{
    (void)chip, (void)cycles;
}

static void load(const char *path)
{
    static uint8_t program[32768];
    FILE *file = fopen(path, "rb");
    if (!file)
        fail("can't open %s", path);
    size_t count = fread(program, 1, sizeof program, file);
    fclose(file);
    avr_loadcode(avr, program, (uint32_t)count, 0);
    avr->codeend = (uint32_t)sizeof program;
}

int main(int argc, char **argv)
{
    if (argc != 3)
        fail("usage: board_simulator FIRMWARE.bin BAUD");
    byte_cycles = 10ULL * CLOCK_HZ / strtoul(argv[2], NULL, 0);
    avr_global_logger_set(quiet);
    avr = avr_make_mcu_by_name("atmega328p");
    if (!avr)
        fail("the library does not know the atmega328p");
    avr_init(avr);
    avr->frequency = CLOCK_HZ;
    avr->vcc = avr->avcc = avr->aref = 5000;
    avr->sleep = no_sleep;
    avr->run_cycle_limit = 1; /* one instruction at a time */
    load(argv[1]);

    for (avr_io_t *io = avr->io_port; io; io = io->next)
        if (!strcmp(io->kind, "uart"))
            uart = (avr_uart_t *)io;
    uint32_t flags = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    uart_irq = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), 0);
    spi_irq = avr_io_getirq(avr, AVR_IOCTL_SPI_GETIRQ(0), 0);
    adc_irq = avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, 0);
    if (!uart || !uart_irq || !spi_irq || !adc_irq)
        fail("the library lacks a part of the chip");
    avr_irq_register_notify(uart_irq + UART_IRQ_OUTPUT, on_sent, NULL);
    avr_irq_register_notify(spi_irq + SPI_IRQ_OUTPUT, on_spi, NULL);
    avr_irq_register_notify(pin('D', 5), on_cell_clock, NULL);
    cell_next = cell_period;
    reset(PORF_BIT);

    static char line[1 << 22];
    while (fgets(line, sizeof line, stdin)) {
        char *name = strtok(line, " \n");
        if (name)
            command(name);
    }
    return 0;
}
