"""Measure what a camera raw costs beside unpacking it: processor time of ours and of the process that unpacks.

    python benchmarks/measure_raw_speed.py              # 24 megapixels, 7 rounds

The same rendered mosaic is written as FITS, as a plain raw and as a packed one (lossless JPEG, as most cameras pack).
The library alone opens, unpacks and copies each raw in a process of its own; framecheck measures each file. They take
turns, and the least of all rounds counts. On a busy machine the ratio to the whole of the FITS frame is what lasts.
"""

import argparse
import json
import os
import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

HERE = Path(__file__).parent
sys.path += [str(HERE), str(HERE.parent / "tests" / "rendered")]
from measure_speed import ONE_THREAD, render  # noqa: E402

BAR_S = 0.2  # of a processor at 24 megapixels, beside unpacking


def main() -> int:
    """Draw, measure in turns, tell; exit code 1 beyond the bar."""
    parser = argparse.ArgumentParser(description="Measure what a camera raw costs beside unpacking it.")
    parser.add_argument("--size", type=int, default=24, help="megapixels")
    parser.add_argument("--rounds", type=int, default=7)
    parser.add_argument("--alone", choices=["library", "framecheck"], help=argparse.SUPPRESS)
    parser.add_argument("--file", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.alone:
        print(json.dumps(library_s(options.file) if options.alone == "library" else framecheck_s(options.file)))
        return 0
    with TemporaryDirectory() as folder:
        files = drawn(Path(folder), options.size)
        seconds: dict[tuple[str, str], list[float]] = {}
        for _ in range(options.rounds):
            for kind, file in files.items():
                for program in ("library", "framecheck") if kind != "FITS" else ("framecheck",):
                    seconds.setdefault((kind, program), []).append(_run(program, file))
    least = {key: min(values) for key, values in seconds.items()}
    worst = 0.0
    for kind in files:
        library = least.get((kind, "library"))
        whole = least[kind, "framecheck"]
        beside = whole if library is None else whole - library
        worst = max(worst, beside if library is not None else 0.0)
        ratio = beside / least["FITS", "framecheck"]
        alone = (
            "" if library is None else f", the library alone {library:.3f} s, beside it {beside:.3f} s ({ratio:.2f})"
        )
        print(f"{kind:12} {whole:.3f} s{alone}")
    print(f"bar: {BAR_S} s beside unpacking")
    return 1 if worst > BAR_S else 0


def drawn(folder: Path, megapixels: int) -> dict[str, Path]:
    """The rendered mosaic as FITS, as a plain and as a packed raw."""
    from astropy.io import fits
    from dng import write_dng

    frame = render(folder, megapixels, "mosaic")
    with fits.open(frame) as units:
        unit = next(unit for unit in units if unit.data is not None)
        pixels, pattern = unit.data.astype("u2"), unit.header["BAYERPAT"]
    plain = write_dng(folder / "plain.dng", pixels, pattern)
    packed = write_dng(folder / "packed.dng", pixels[:, : pixels.shape[1] // 2 * 2], pattern, packed=True)
    return {"FITS": frame, "plain raw": plain, "packed raw": packed}


def library_s(file: Path) -> float:
    """Processor time to open, unpack and copy: the second of two."""
    import time

    import rawpy

    for _ in range(2):
        start = time.process_time()
        with rawpy.RawPy() as raw:
            raw.open_file(str(file))
            raw.unpack()
            raw.raw_image_visible.copy()
    return time.process_time() - start


def framecheck_s(file: Path) -> float:
    """Processor time of measuring, with that of the process which unpacks: the second of two."""
    from framecheck import measure_frame
    from framecheck.read import unpacking

    def spent() -> float:
        ticks = 0
        for _, process in unpacking._running:
            fields = Path(f"/proc/{process.pid}/stat").read_text().rpartition(")")[2].split()
            ticks += int(fields[11]) + int(fields[12])  # utime and stime: proc(5)
        return sum(os.times()[:2]) + ticks / os.sysconf("SC_CLK_TCK")

    for _ in range(2):
        start = spent()
        measure_frame(file)
    return spent() - start


def _run(program: str, file: Path) -> float:
    words = [sys.executable, __file__, "--alone", program, "--file", str(file)]
    environment = os.environ | ONE_THREAD
    return float(subprocess.run(words, env=environment, capture_output=True, check=True, text=True).stdout)


if __name__ == "__main__":
    sys.exit(main())
