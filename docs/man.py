#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Makes docs/wetsweep.1 from what the program says of itself: docs/man.py WETSWEEP >docs/wetsweep.1.
tests/end_to_end/test_help.sh holds the two together."""
import re
import subprocess
import sys

program = sys.argv[1]


def said(*arguments):
    return subprocess.run([program, *arguments], check=True, capture_output=True, text=True).stdout


def plain(text):
    """Text as it stands, for roff."""
    text = text.replace("\\", "\\e").replace("-", "\\-")
    return "\n".join("\\&" + line if line[:1] in ".'" else line for line in text.splitlines())


def block(text):
    return f".nf\n{plain(text.strip(chr(10)))}\n.fi\n"


whole = said("--help")
commands = re.findall(r"^  ([a-z]+) +(.+)$", whole, re.M)
version = said("--version").split()[1]
print('.\\" SPDX-License-Identifier: GPL-3.0-or-later')
print('.\\" Made by docs/man.py; change what --help says instead.')
print(f'.TH WETSWEEP 1 "" "wetsweep {version}" "wetsweep"')
print(".SH NAME\nwetsweep \\- bench instrument for boards that feel where the waterline stands")
print(".SH SYNOPSIS\n.B wetsweep\n.I COMMAND\n.RI [ ARGUMENT ]...")
print(".SH DESCRIPTION")
print(plain(re.search(r"\n\n(Moves.*?)\n\n", whole, re.S).group(1)))
print(".PP\nWater, mains power and a moving axis on one bench can hurt: see docs/safety.md. Local codes and\n"
      "licensed practice decide. The program's stop is not a safety function.")
print(".SH COMMANDS")
for name, summary in commands:
    print(f".TP\n.B {name}\n{plain(summary)}")
for name, _ in commands:
    print(f".SH {name.upper()}")
    print(block(said(name, "--help")), end="")
print(".SH EXIT STATUS")
print(block(re.search(r"status: (.*)", whole, re.S).group(1)), end="")
print(".SH ENVIRONMENT\n.TP\n.B WETSWEEP_LEDGER\nledger that is used where \\-\\-ledger is not given\n"
      ".TP\n.B NO_COLOR\nno colours on a terminal")
print(".SH FILES\nRig files, profiles, limits files and bench files are text (docs/formats_text.md); a recording is\n"
      "a folder of CSV and JSON (docs/formats_recording.md).")
