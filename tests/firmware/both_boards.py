"""The tests of test_firmware.py on both boards at once; one closing line."""

import os
import re
import subprocess
import sys
from pathlib import Path

# The RP2040's simulator is the slower one: its list runs in two halves.
RUNS = ("atmega328p", 0, 1), ("rp2040", 0, 2), ("rp2040", 1, 2)


def start(board, shard, shards):
    script = Path(__file__).with_name("test_firmware.py")
    environment = os.environ | {"BOARD": board, "SHARD": str(shard), "SHARDS": str(shards)}
    return subprocess.Popen([sys.executable, script, *sys.argv[1:]], env=environment, stdout=subprocess.PIPE,
                            stderr=subprocess.STDOUT, text=True)


def main():
    running = [(run[0], start(*run)) for run in RUNS]
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
