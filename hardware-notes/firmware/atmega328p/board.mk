# ATmega328P at 16 MHz.
#
#   make PORT=... flash     through a bootloader, at its baud rate
#   make fuses              once, with a programmer at the ISP pins: see below
#   make erase-memory       forgets identity and ceiling (needs the programmer as well)

MCU = atmega328p
CC = avr-gcc
CFLAGS += -mmcu=$(MCU) -DF_CPU=16000000UL
LDFLAGS = -mmcu=$(MCU) -Wl,--gc-sections -Wl,--defsym=stack_end=_end
SOURCES = $(addprefix atmega328p/,capture.c selftest.c serial.c ticks.c)

$(BUILD)/firmware: $(BUILD)/firmware.hex

# The self-test looks for a CRC behind the last byte.
$(BUILD)/firmware.bin: $(BUILD)/firmware.elf
	avr-objcopy -O binary -R .eeprom $< $@
	python3 -c "import binascii, sys; p = sys.argv[1]; b = open(p, 'rb').read(); \
	open(p, 'ab').write(binascii.crc_hqx(b, 0xFFFF).to_bytes(2, 'little'))" $@

$(BUILD)/firmware.hex: $(BUILD)/firmware.bin
	avr-objcopy -I binary -O ihex $< $@

size: $(BUILD)/firmware.elf
	avr-size -C --mcu=$(MCU) $<

# The bootloader's protocol and rate, or a programmer, which may need no port.
PORT =
PROGRAMMER = arduino -b 115200
AVRDUDE = avrdude -p $(MCU) -c $(PROGRAMMER) $(if $(PORT),-P $(PORT))
flash: $(BUILD)/firmware.hex
	$(AVRDUDE) -U flash:w:$<:i

# Extended: brown-out detector at 4.3 V. High: starts in the program, not in a bootloader, and keeps
# the EEPROM, with the ceiling in it, when the program is erased for a new one. The low one, which
# sets the clock, stays as the board's maker had it: a crystal of 16 MHz.
fuses:
	$(AVRDUDE) -U efuse:w:0xFC:m -U hfuse:w:0xD7:m

erase-memory:
	mkdir -p $(BUILD)
	head -c 1024 /dev/zero | tr '\000' '\377' > $(BUILD)/blank.bin
	$(AVRDUDE) -D -U eeprom:w:$(BUILD)/blank.bin:r

.PHONY: flash fuses erase-memory
.PHONY: $(BUILD)/firmware
