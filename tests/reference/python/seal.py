"""Sealed files against another implementation of the age format, the command line program `age` (Debian package `age`).

    python3 tests/reference/python/seal.py [--age PROGRAM] FOLDER

FOLDER holds `key.txt` (an identity file), `recipient.txt`, for each size `SIZE.plain` and the same sealed by us, `SIZE.ours`, and
for some of them `SIZE.ours-passphrase`, sealed with the passphrase in `passphrase.txt`. Each file of ours is opened by the
program and held against the plain one; then the program seals the plain one, into `SIZE.theirs` and `SIZE.theirs-passphrase`,
for us to open. Ends with 1 at the first difference.
"""

import argparse
import os
import pty
import subprocess
import sys
from pathlib import Path


def with_passphrase(command, passphrase):
    """Runs a command that asks for a passphrase at a terminal of its own, and answers each question."""
    child, terminal = pty.fork()
    if child == 0:
        os.execvp(command[0], command)
    said = b""
    while True:
        try:
            piece = os.read(terminal, 4096)
        except OSError:  # the terminal closes when the program ends
            break
        if not piece:
            break
        said += piece
        if said.rstrip().endswith(b":"):
            os.write(terminal, passphrase.encode() + b"\n")
            said = b""
    if os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) != 0:
        sys.exit(f"{' '.join(command)} failed: {said.decode(errors='replace')}")


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--age", default="age")
    parser.add_argument("folder", type=Path)
    args = parser.parse_args()
    folder, age = args.folder, args.age
    key, recipient = str(folder / "key.txt"), (folder / "recipient.txt").read_text().strip()
    passphrase = (folder / "passphrase.txt").read_text().strip()
    plain = sorted(folder.glob("*.plain"), key=lambda f: int(f.stem))
    assert plain, "no plain file in the folder"
    both = 0
    for file in plain:
        ours, out = file.with_suffix(".ours"), file.with_suffix(".out")
        opened = subprocess.run([age, "-d", "-i", key, str(ours)], capture_output=True, check=True).stdout
        if opened != file.read_bytes():
            sys.exit(f"{ours} opens to something else")
        subprocess.run([age, "-r", recipient, "-o", str(file.with_suffix(".theirs")), str(file)], check=True)
        ours = file.with_suffix(".ours-passphrase")
        if ours.exists():
            both += 1
            with_passphrase([age, "-d", "-o", str(out), str(ours)], passphrase)
            if out.read_bytes() != file.read_bytes():
                sys.exit(f"{ours} opens to something else")
            with_passphrase([age, "-p", "-o", str(file.with_suffix(".theirs-passphrase")), str(file)], passphrase)
    version = subprocess.run([age, "--version"], capture_output=True, text=True).stdout.strip()
    print(f"age {version}: opens {len(plain)} files sealed for a recipient and {both} sealed with a passphrase; sealed as many")


if __name__ == "__main__":
    main()
