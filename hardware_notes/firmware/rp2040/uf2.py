"""Turn the firmware into a file that one drags onto the board: uf2.py FIRMWARE.bin BOARD.uf2.

The first 256 bytes are the second stage, whose last four get the checksum that the boot ROM wants: CRC-32 with
polynomial 0x04C11DB7 from 0xFFFFFFFF, not reflected, no final exclusive-or. UF2 is a public format, in blocks of 512.
"""

import struct
import sys
from pathlib import Path

FLASH = 0x10000000
STAGE_2 = 252
PAYLOAD = 256
PAGES_A_SECTOR = 16
FAMILY_RP2040 = 0xE48BFF56
FAMILY_PRESENT = 0x2000
BLOCK = struct.Struct("<8I476sI")


def checksum(data: bytes) -> int:
    """Return the boot ROM's checksum."""
    crc = 0xFFFFFFFF
    for byte in data:
        crc ^= byte << 24
        for _ in range(8):
            crc = (crc << 1 ^ (0x04C11DB7 if crc & 0x80000000 else 0)) & 0xFFFFFFFF
    return crc


def main(firmware: str, board: str) -> None:
    """Write `firmware`, with its checksum, as the UF2 file `board`."""
    image = Path(firmware).read_bytes()
    if any(image[STAGE_2:PAYLOAD]):
        sys.exit("the second stage leaves no room for its checksum")
    image = image[:STAGE_2] + struct.pack("<I", checksum(image[:STAGE_2])) + image[PAYLOAD:]
    sector = PAYLOAD * PAGES_A_SECTOR  # the boot ROM erases by sectors: fill the last one
    image += bytes(-len(image) % sector)
    count = len(image) // PAYLOAD
    with Path(board).open("wb") as file:
        for number in range(count):
            page = image[number * PAYLOAD : (number + 1) * PAYLOAD]
            file.write(BLOCK.pack(0x0A324655, 0x9E5D5157, FAMILY_PRESENT, FLASH + number * PAYLOAD, PAYLOAD, number,
                                  count, FAMILY_RP2040, page, 0x0AB16F30))


main(*sys.argv[1:])
