# RP2040, with a crystal of 12 MHz and 2 MB of flash or more, as most boards have it.
#
#   make BOARD=rp2040                 build/firmware.uf2: copied to the drive that the board is, started with
#                                     its button held
#   make BOARD=rp2040 erase-memory    build/erase-memory.uf2: likewise; forgets identity and ceiling

CC = arm-none-eabi-gcc
CFLAGS += -mcpu=cortex-m0plus -mthumb
LDFLAGS = -nostartfiles -Wl,--gc-sections -Wl,-T,rp2040/rp2040.ld -Wl,--no-warn-rwx-segments
SOURCES = $(addprefix rp2040/,boot2.S startup.c capture.c chip.c selftest.c serial.c storage.c ticks.c)

$(BUILD)/firmware: $(BUILD)/firmware.uf2

$(BUILD)/firmware.elf: rp2040/rp2040.ld

# Two CRCs: the boot ROM's in the second stage, the self-test's behind the last byte.
$(BUILD)/firmware.bin: $(BUILD)/firmware.elf rp2040/uf2.py
	arm-none-eabi-objcopy -O binary -j .boot2 -j .startup -j .image $< $@
	python3 rp2040/uf2.py crcs $@

$(BUILD)/firmware.uf2: $(BUILD)/firmware.bin
	python3 rp2040/uf2.py make 0x10000000 $< $@

size: $(BUILD)/firmware.elf
	arm-none-eabi-size -A $<

erase-memory: $(BUILD)/erase-memory.uf2
$(BUILD)/erase-memory.uf2: rp2040/uf2.py
	mkdir -p $(BUILD)
	head -c 12288 /dev/zero | tr '\000' '\377' > $(BUILD)/blank.bin
	python3 rp2040/uf2.py make 0x101fd000 $(BUILD)/blank.bin $@

.PHONY: $(BUILD)/firmware erase-memory
