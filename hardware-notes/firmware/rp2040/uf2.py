#!/usr/bin/env python3
"""Firmware images for an RP2040.

    uf2.py crcs IMAGE.bin               puts in the CRC of the second stage, and one behind the last byte
    uf2.py make ADDRESS IMAGE.bin OUT   a file to be copied to the board's drive
    uf2.py check FILE.uf2               looks at such a file: every block, and the image in it

A .uf2 file is blocks of 512 bytes: two magic numbers, flags, address, bytes used, number of the block, of how many,
the family of the chip, 476 bytes of data, a last magic number; all numbers of 32 bits, little endian (the format is
documented openly). The boot ROM wants 256 bytes of data a block (data sheet, 2.8.4.2).
"""

import binascii
import struct
import sys
from pathlib import Path

MAGIC = 0x0A324655, 0x9E5D5157
MAGIC_END = 0x0AB16F30
FAMILY_GIVEN = 0x2000
RP2040 = 0xE48BFF56
BLOCK, DATA = 512, 256
FLASH, FLASH_END = 0x1000_0000, 0x1100_0000
SECOND_STAGE = 256


def fail(message):
    sys.exit(f"uf2.py: {message}")


def crc32(data):
    """Polynomial 0x04C11DB7, initial value all ones, nothing reflected or inverted (data sheet, 2.8.1.3.1)."""
    crc = 0xFFFFFFFF
    for byte in data:
        crc ^= byte << 24
        for _ in range(8):
            crc = (crc << 1 ^ 0x04C11DB7 if crc >> 31 else crc << 1) & 0xFFFFFFFF
    return crc


def put_crcs(image):
    if len(image) <= SECOND_STAGE:
        fail(f"an image of {len(image)} bytes: expected more than the second stage's {SECOND_STAGE}")
    if any(image[SECOND_STAGE - 4:SECOND_STAGE]):
        fail(f"the second stage: expected zeros in its last 4 bytes, found {image[SECOND_STAGE - 4:SECOND_STAGE].hex()}")
    stage = image[:SECOND_STAGE - 4]
    whole = stage + struct.pack("<I", crc32(stage)) + image[SECOND_STAGE:]
    return whole + struct.pack("<H", binascii.crc_hqx(whole, 0xFFFF))


def make(address, image):
    if address % DATA or not FLASH <= address <= FLASH_END - len(image):
        fail(f"address {address:#x}: expected a multiple of {DATA} from {FLASH:#x}, with all of the image below {FLASH_END:#x}")
    if not image:
        fail("an empty image")
    image += b"\xff" * (-len(image) % DATA)
    count = len(image) // DATA
    blocks = []
    for number in range(count):
        data = image[number * DATA:(number + 1) * DATA]
        head = struct.pack("<8I", *MAGIC, FAMILY_GIVEN, address + number * DATA, DATA, number, count, RP2040)
        blocks.append(head + data.ljust(476, b"\0") + struct.pack("<I", MAGIC_END))
    return b"".join(blocks)


def read(file):
    """(address, image) of a file, each of its blocks checked."""
    if not file or len(file) % BLOCK:
        fail(f"{len(file)} bytes: expected a multiple of {BLOCK}")
    count = len(file) // BLOCK
    start, image = None, b""
    for number in range(count):
        block = file[number * BLOCK:(number + 1) * BLOCK]
        head, end = struct.unpack("<8I", block[:32]), struct.unpack("<I", block[-4:])[0]
        start = head[3] if start is None else start
        expected = (*MAGIC, FAMILY_GIVEN, start + number * DATA, DATA, number, count, RP2040)
        names = "magic", "magic", "flags", "address", "bytes", "number", "count", "family"
        for name, want, found in [*zip(names, expected, head), ("last magic", MAGIC_END, end)]:
            if want != found:
                fail(f"block {number}, {name}: expected {want:#x}, found {found:#x}")
        image += block[32:32 + DATA]
    if start % DATA or not FLASH <= start <= FLASH_END - len(image):
        fail(f"block 0, address: expected one in the flash, found {start:#x}")
    return start, image


def check(file):
    start, image = read(file)
    if start == FLASH:
        found, = struct.unpack("<I", image[SECOND_STAGE - 4:SECOND_STAGE])
        expected = crc32(image[:SECOND_STAGE - 4])
        if found != expected:
            fail(f"the second stage's CRC: expected {expected:#x}, found {found:#x}: the chip would not start it")
    return f"{len(image) // DATA} blocks, {len(image)} bytes from {start:#x}"


def main(arguments):
    match arguments:
        case ["crcs", image]:
            Path(image).write_bytes(put_crcs(Path(image).read_bytes()))
        case ["make", address, image, out]:
            file = make(int(address, 0), Path(image).read_bytes())
            check(file)
            Path(out).write_bytes(file)
        case ["check", file]:
            print(check(Path(file).read_bytes()))
        case _:
            sys.exit(__doc__)


if __name__ == "__main__":
    main(sys.argv[1:])
