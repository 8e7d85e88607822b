"""The tests of test_firmware.py on both boards at once; one closing line."""

import os
import re
import subprocess
import sys
from pathlib import Path

BOARDS = "atmega328p", "rp2040"


def start(board):
    script = Path(__file__).with_name("test_firmware.py")
    return subprocess.Popen([sys.executable, script, *sys.argv[1:]], env=os.environ | {"BOARD": board},
                            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)


def main():
    running = [(board, start(board)) for board in BOARDS]
    passed = failed = 0
    for board, process in running:
        lines = process.communicate()[0].splitlines()
        closing = re.fullmatch(r"(\d+) passed, (\d+) failed", lines[-1]) if lines else None
        print(f"-- {board}", *(lines[:-1] if closing else lines), sep="\n", flush=True)
        passed += int(closing[1]) if closing else 0
        failed += int(closing[2]) if closing else 1
    print(f"{passed} passed, {failed} failed")
    return 1 if failed or not passed else 0


if __name__ == "__main__":
    sys.exit(main())
