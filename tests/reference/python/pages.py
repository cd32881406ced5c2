"""Printed pages, read by other programs: PDF by qpdf, text by pdftotext, bar codes by zbar, pictures against reviewed ones.

    python3 tests/reference/python/pages.py --binary target/checked/fangwright [--renew]

Needs qpdf, poppler-utils, zbar-tools and Pillow. `--renew` writes the pictures under tests/reference/pages anew; look at them
before they are kept.
"""

import argparse
import json
import subprocess
import tempfile
import unicodedata
from pathlib import Path

from PIL import Image, ImageChops

HERE = Path(__file__).resolve().parent.parent
PICTURES = HERE / "pages"

# Invented: an invented clinic, invented people, formula families of the demo.
CASES = [
    ("D-2026-0001", "桂枝9 白芍9 生姜9 大枣12 炙甘草6", "en", ["--days", "5", "--vessel", "ceramic"]),
    ("D-2026-0002", "熟地黄24 山药12 山茱萸12 茯苓9 泽泻9 牡丹皮9", "zh", ["--days", "30", "--as", "honey-pill-small"]),
    ("D-2026-0003", "柴胡12 黄芩9 法半夏9 党参9 生姜9 大枣12 炙甘草6", "zh-hant", ["--days", "7", "--large", "--label", "large"]),
    ("D-2026-0004", "当归9 川芎6 白芍9 熟地黄12", "en", ["--days", "14", "--as", "tincture-alcohol", "--label", "bottle"]),
]
PAGES = ["prescription", "worksheet", "label", "sheet"]


def run(*words):
    return subprocess.run(words, capture_output=True, text=True, check=False)


def plain(text):
    """Without white space, in one form: lines break where the paper ends."""
    return "".join(unicodedata.normalize("NFKC", text).split())


def main():
    args = argparse.ArgumentParser()
    args.add_argument("--binary", default="target/checked/fangwright")
    args.add_argument("--renew", action="store_true")
    args = args.parse_args()
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        clinic = Path(folder) / "clinic.toml"
        clinic.write_text('name = "Herb House at the Weir"\naddress = "3 Mill Lane, Ostermoor"\nphone = "0123 456 789"\n')
        words = differ = 0
        for number, rx, language, more in CASES:
            made = run(
                args.binary, "dispense", rx, *more, "--json", "--on", "2026-11-25", "--age", "41", "--weight", "63",
                "--no-other-conditions", "--no-other-medicines", "--no-other-allergies", "--pregnant", "no", "--sex", "female",
                "--number", number, "--name", "林雁 Ada Whitlock", "--born", "1985-03-04", "--prescriber", "M. Ferrant",
                "--dispenser", "J. Oake", "--clinic", str(clinic), "--language", language, "--print", "all", "--into", folder,
                "--data", folder,
            )  # fmt: skip
            assert made.returncode == 0, (number, made.stdout[-2000:], made.stderr)
            answer = json.loads(made.stdout)["result"]
            assert [p["page"] for p in answer["pages"]] == PAGES
            for page in PAGES:
                pdf = f"{folder}/{number}-{page}.pdf"
                check = run("qpdf", "--check", pdf)
                assert check.returncode == 0, check.stdout + check.stderr
                fonts = run("pdffonts", pdf).stdout.splitlines()[2:]
                # Embedded, subset, with a map back to characters.
                assert fonts and all(f.split()[-5:-2] == ["yes", "yes", "yes"] for f in fonts), fonts
                text = plain(run("pdftotext", "-raw", pdf, "-").stdout)
                meant = ["林雁AdaWhitlock", "M.Ferrant"] if page in ("prescription", "label") else ["林雁AdaWhitlock"]
                if page != "sheet" or language == "en":
                    meant.append(number)
                if page in ("prescription", "worksheet", "sheet"):
                    # Every ingredient with its pinyin, tone marks and all.
                    for line in answer["plan"]["lines"]:
                        pinyin = line["name"].rsplit(" ", 1)[0]
                        meant.append(plain(pinyin))
                for word in meant:
                    assert plain(word) in text, (pdf, word, text[:600])
                    words += 1
                picture = f"{folder}/{number}-{page}"
                if page != "sheet":
                    # Read from the printed page as a scanner sees it.
                    run("pdftoppm", "-r", "300", "-png", "-singlefile", pdf, picture)
                    code = run("zbarimg", "--raw", "-q", f"{picture}.png").stdout.strip()
                    assert code == number, (pdf, code)
                run("pdftoppm", "-r", "50", "-gray", "-png", "-singlefile", pdf, picture)
                kept = PICTURES / f"{number}-{page}.png"
                now = Image.open(f"{picture}.png").convert("L")
                if args.renew:
                    now.save(kept, optimize=True)
                    continue
                before = Image.open(kept).convert("L")
                assert before.size == now.size, f"{kept.name}: the paper has another size"
                # Another version of the renderer moves a grey value here and there; moved text is more than that.
                off = sum(n * v for v, n in enumerate(ImageChops.difference(before, now).histogram())) / (255 * now.width * now.height)
                differ = max(differ, off)
                assert off < 0.004, f"{kept.name} differs by {off:.2%}; look at it, then run with --renew"
        print(f"pages: {len(CASES) * len(PAGES)} PDFs sound, {words} words found, bar codes read, pictures differ by at most {differ:.3%}")


main()
