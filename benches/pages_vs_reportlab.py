"""Plans, labels and 1,000 worksheets, beside a plain drawing of the same by reportlab (PyPI) in the same run.

    python3 benches/pages_vs_reportlab.py [--n 1000] [--folder target/release]

reportlab draws without a layout: its pages place the same words, lines and boxes at fixed spots, with the same font embedded. It is
the speed of a library that does less.
"""

import argparse
import json
import random
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
FORMULAS = [
    "桂枝9 白芍9 生姜9 大枣12 炙甘草6",
    "熟地黄24 山药12 山茱萸12 茯苓9 泽泻9 牡丹皮9",
    "柴胡12 黄芩9 半夏9 党参9 生姜9 大枣12 炙甘草6",
    "党参9 白术9 茯苓9 炙甘草6 陈皮6 法半夏6",
    "当归9 川芎6 白芍9 熟地黄12",
]


def jobs(n):
    random.seed(1)
    for i in range(n):
        yield {
            "prescription": random.choice(FORMULAS),
            "days": random.choice([3, 5, 7, 14]),
            "number": f"D-{i:05}",
            "name": f"Invented {i} 林雁",
            "born": "1980-01-01",
            "prescriber": "M. Ferrant",
            "patient": {"age": str(random.randint(20, 60)), "weight_kg": "61"},
        }


def drawn(all_jobs, path):
    """The same worksheets, drawn."""
    from reportlab.graphics import renderPDF
    from reportlab.graphics.barcode.qr import QrCodeWidget
    from reportlab.graphics.shapes import Drawing
    from reportlab.lib.pagesizes import A4
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.cidfonts import UnicodeCIDFont
    from reportlab.pdfgen import canvas

    pdfmetrics.registerFont(UnicodeCIDFont("STSong-Light"))
    page = canvas.Canvas(str(path), pagesize=A4)
    for job in all_jobs:
        page.setFont("STSong-Light", 16)
        page.drawString(40, 790, f"Dispensing worksheet {job['number']}")
        page.setFont("STSong-Light", 10)
        page.drawString(40, 770, f"{job['name']} | {job['born']}")
        code = QrCodeWidget(job["number"])
        picture = Drawing(60, 60)
        picture.add(code)
        renderPDF.draw(picture, page, 490, 740)
        for n, part in enumerate(job["prescription"].split()):
            y = 720 - 24 * n
            page.rect(40, y - 6, 510, 24)
            for x, text in ((45, str(n + 1)), (70, part), (300, part), (380, part)):
                page.drawString(x, y, text)
            page.rect(525, y, 10, 10)
        page.showPage()
    page.save()


def main():
    args = argparse.ArgumentParser()
    args.add_argument("--n", type=int, default=1000)
    args.add_argument("--folder", default=str(ROOT / "target/release"), help="where the binaries are")
    args = args.parse_args()
    n, binary = args.n, f"{args.folder}/fangwright"
    rate = json.loads(subprocess.run([f"{args.folder}/dispense_rate"], capture_output=True, text=True, check=True).stdout)
    with tempfile.TemporaryDirectory() as folder:
        all_jobs = list(jobs(n))
        lines = Path(folder) / "jobs.jsonl"
        lines.write_text("\n".join(json.dumps(j, ensure_ascii=False) for j in all_jobs))
        start = time.perf_counter()
        subprocess.run(
            [binary, "dispense", "--batch", lines, "--into", f"{folder}/a.pdf", "--on", "2026-11-25", "--data", folder],
            check=True,
            capture_output=True,
        )
        ours = time.perf_counter() - start
        memory = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
        start = time.perf_counter()
        drawn(all_jobs, f"{folder}/b.pdf")
        theirs = time.perf_counter() - start
        start = time.perf_counter()
        for job in all_jobs[:50]:
            drawn([job], f"{folder}/c.pdf")
        one = (time.perf_counter() - start) / min(n, 50) * 1000
    print(f"plan of 12 ingredients: {rate['plan_us']:.0f} µs")
    print(f"one label: {rate['label_ms']:.1f} ms; one page drawn by reportlab {one:.1f} ms, ratio {rate['label_ms'] / one:.1f}")
    print(f"{n} worksheets: {ours:.1f} s, at most {memory:.0f} MB; drawn by reportlab {theirs:.1f} s, ratio {ours / theirs:.1f}")
    sys.stdout.flush()


main()
