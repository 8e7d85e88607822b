"""Pictures for a video: read by the rules of PNG (ISO/IEC 15948), with nothing of the program's own."""

import os
import pathlib
import struct
import subprocess
import unittest
import zlib

DIR = pathlib.Path(os.environ["SHEETS_DIR"])
SIZE = (480, 320)
RATE = 2


def pixels(file):
    """Rows of (red, green, blue, alpha), 8 bits each."""
    data = file.read_bytes()
    assert data[:8] == b"\x89PNG\r\n\x1a\n", file
    chunks, at = [], 8
    while at < len(data):
        (length,) = struct.unpack(">I", data[at:at + 4])
        chunks.append((data[at + 4:at + 8], data[at + 8:at + 8 + length]))
        at += length + 12
    width, height, bits, colour, _, _, interlaced = struct.unpack(">IIBBBBB", dict(chunks)[b"IHDR"])
    assert (width, height) == SIZE and bits == 8 and interlaced == 0
    channels = {2: 3, 6: 4}[colour]
    raw = zlib.decompress(b"".join(body for kind, body in chunks if kind == b"IDAT"))
    stride = width * channels
    above, rows = bytes(stride), []
    for y in range(height):
        kind, line = raw[y * (stride + 1)], bytearray(raw[y * (stride + 1) + 1:(y + 1) * (stride + 1)])
        for x in range(stride):
            left = line[x - channels] if x >= channels else 0
            corner = above[x - channels] if x >= channels else 0
            up = above[x]
            guess = left + up - corner
            nearest = min((abs(guess - left), 0, left), (abs(guess - up), 1, up), (abs(guess - corner), 2, corner))
            line[x] = (line[x] + (0, left, up, (left + up) // 2, nearest[2])[kind]) % 256
        above = bytes(line)
        texels = [tuple(line[x:x + channels]) for x in range(0, stride, channels)]
        rows.append([texel if channels == 4 else (*texel, 255) for texel in texels])
    return rows


class Frames(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.frames = {}
        for name, more in (("clear", ["--transparent"]), ("opaque", [])):
            folder = DIR / f"frames-{name}"
            subprocess.run(
                [os.environ["LEVERARM"], "frames", "1", "2", "--out", folder, "--rate", str(RATE),
                 "--size", "x".join(map(str, SIZE)), "--store", DIR / "pulls", *more],
                check=True, capture_output=True)
            files = sorted(folder.iterdir())
            cls.frames[name] = [pixels(file) for file in (files[0], files[len(files) // 2], files[-1])]
            cls.count = len(files)

    def test_nothing_is_behind_the_curves_only_where_that_is_wanted(self):
        for name, expected in (("clear", 0), ("opaque", 255)):
            for rows in self.frames[name]:
                self.assertEqual({row[0][3] for row in rows}, {expected}, name)
                self.assertEqual({texel[3] for texel in rows[0]}, {expected}, name)
        clear = self.frames["clear"][-1]
        shown = sum(texel[3] > 0 for row in clear for texel in row)
        self.assertGreater(shown, 200)
        self.assertLess(shown, SIZE[0] * SIZE[1] // 3)

    def test_the_curve_grows(self):
        shown = [sum(texel[3] > 0 for row in rows for texel in row) for rows in self.frames["clear"]]
        self.assertLess(shown[0], shown[1])
        self.assertLess(shown[1], shown[2])

    def test_a_frame_for_each_half_second_of_the_pull(self):
        # The simulated pulls last about six seconds.
        self.assertTrue(4 * RATE < self.count < 9 * RATE, self.count)


if __name__ == "__main__":
    unittest.main()
