"""Mutated files, read in a process of their own with bounds on memory and time: what the fuzz tests share.

`python -m tests.fuzzing KIND FOLDER FIRST LAST` reads cases FIRST to LAST - 1 and prints one JSON line for each.
"""

import json
import random
import resource
import struct
import subprocess
import sys
import time
import traceback
import warnings
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import numpy as np

MOST_S, MOST_BYTES = 20.0, 1_000_000_000
MOVIES = ("aac.mp4", "pcm.mov", "fragmented.mp4", "late.mov", "opus.mkv", "aac.mkv")
TEXTS = ("ixml", "bext", "axml", "marks", "moves")
NUMBERS = (0, 1, 2, 3, 7, 8, 0xFF, 0x100, 0x7FFF, 0xFFFF, 0x10000, 10**6, 0x7FFF_FFFF, 0x8000_0000, 0xFFFF_FFFF)
TABLES = (b"mvhd", b"tkhd", b"mdhd", b"elst", b"stts", b"ctts", b"stsz", b"stsc", b"stco", b"stss", b"trun", b"tfdt",
          b"tfhd", b"trex", b"stsd", b"avcC", b"esds", b"hdlr")  # fmt: skip
IXML = (
    b'<?xml version="1.0"?><BWFXML><SPEED><TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>0</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>'
    b"<TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>480000</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO><TIMECODE_RATE>24000/1001"
    b"</TIMECODE_RATE><TIMECODE_FLAG>NDF</TIMECODE_FLAG></SPEED><TRACK_LIST><TRACK><INTERLEAVE_INDEX>1"
    b"</INTERLEAVE_INDEX><NAME>W</NAME></TRACK></TRACK_LIST></BWFXML>"
)
MARKS = b"who,start_s,end_s,azimuth_deg,elevation_deg,distance_m\nOdile,0.65,4.8,-56.0,-8.0,2.7\nPerrin,1,2,3,4,\n"
MOVES = b"time_s,yaw_deg,pitch_deg,roll_deg\n0,0,0,0\n1,10,1,0\n2,20,2,-1\n"


def write_seeds(folder: Path) -> None:
    """Write the sound movies that mutations start from: half a second each, some kilobytes."""
    from demo_audio.write_movie import write_movie

    rng = np.random.default_rng(0)
    images = [rng.integers(0, 255, (32, 64, 3), dtype=np.uint8) for _ in range(12)]
    options = {
        "pcm.mov": {"audio_codec": "pcm_s16le", "timecode": "01:00:00:00"},
        "fragmented.mp4": {"fragmented": True},
        "late.mov": {"audio_start_s": 0.1},
        "opus.mkv": {"audio_codec": "libopus"},
    }
    for name in MOVIES:
        sound = 0.1 * rng.standard_normal((2, 20_000))
        write_movie(folder / name, frames=images, frame_rate=Fraction(25), audio=sound, **options.get(name, {}))


def mutated_movie(content: bytes, rng: random.Random) -> bytes:
    """Change sizes, counts, times and stamps in one to four places."""
    data = bytearray(content)
    places = [at for kind in TABLES for at in _all(content, kind)]
    for _ in range(rng.randint(1, 4)):
        way = rng.random()
        if places and way < 0.55:
            at = rng.choice(places) + 4 * rng.randint(1, 14)
        elif places and way < 0.7:
            at = rng.choice(places) - 4  # the size
        else:
            # Heads lie at either end; in Matroska they are at the start, and stamps all over.
            at = rng.choice((rng.randrange(len(data)), rng.randrange(min(700, len(data)))))
        if at + 4 > len(data):
            continue
        if rng.random() < 0.6:
            data[at : at + 4] = struct.pack(">I", rng.choice(NUMBERS))
        elif rng.random() < 0.5:
            data[at] ^= 1 << rng.randrange(8)
        else:
            data[at : at + 4] = rng.randbytes(4)
    if rng.random() < 0.1:
        del data[rng.randrange(len(data)) :]
    return bytes(data)


def mutated_text(content: bytes, rng: random.Random) -> bytes:
    """Change, take out, repeat and put in bytes of a text or a small table."""
    data = bytearray(content)
    for _ in range(rng.randint(1, 6)):
        at = rng.randrange(len(data) + 1)
        way = rng.randrange(5)
        if way == 0:
            data[at : at + 1] = rng.randbytes(1)
        elif way == 1:
            del data[at : at + rng.randint(1, 30)]
        elif way == 2:
            data[at:at] = data[at : at + rng.randint(1, 60)] * rng.choice((1, 2, 50, 1000))
        elif way == 3:
            data[at:at] = rng.choice(
                (b"<", b">", b"&", b"\0", b'"', b",", b";", b"\n", b"1e308", b"nan", b"-", b"\xff")
            )
        else:
            data[at:at] = rng.choice((b" ", b"<A>", b"9", b"&a;", b'"', b",", b"\r")) * rng.choice((10, 1000, 90_000))
    return bytes(data)


def read_case(kind: str, folder: Path, case: int) -> str:
    """Read one mutation, as commands do; in words, what came of it."""
    from spatial.errors import SoundplumbError
    from spatial.media.tables import read_marks, read_moves
    from spatial.media.wav.adm import axml_body, read_chna, read_harmonics
    from spatial.media.wav.metadata import bext_body, read_bext, read_ixml, stamp_of

    rng = random.Random(f"{kind} {case}")
    try:
        if kind == "movies":
            name = MOVIES[case % len(MOVIES)]
            path = folder / f"case-{name}"
            path.write_bytes(mutated_movie((folder / name).read_bytes(), rng))
            return _watched(path)
        text = TEXTS[case % len(TEXTS)]
        if text in ("marks", "moves"):
            path = folder / f"case.{text}.csv"
            path.write_bytes(mutated_text(MARKS if text == "marks" else MOVES, rng))
            (read_marks if text == "marks" else read_moves)(path)
        elif text == "ixml":
            read_ixml(mutated_text(IXML, rng))
        elif text == "axml":
            read_harmonics(read_chna(rng.randbytes(90)), mutated_text(axml_body(rate_hz=48_000, bits=24), rng))
        else:
            body = mutated_text(bext_body(time_reference=480_000, originator="a", coding_history="b"), rng)
            stamp_of(read_bext(body), read_ixml(b""), 48_000)
    except SoundplumbError:
        return "refused"
    return "read"


def _watched(path: Path) -> str:
    from spatial.media.movies.clip import open_clip, scratch_blocks
    from spatial.media.movies.proxy import frame_at
    from spatial.picture import parse_picture

    clip = open_clip(path)
    clip.samples_at(48_000)
    samples = sum(block.shape[1] for block in scratch_blocks(clip)) if clip.scratch else 0
    # What is laid aside on disk must not be more than ten minutes and what the file holds.
    if clip.scratch and samples > 700 * clip.scratch.rate_hz:
        raise AssertionError(f"{samples} samples of sound")
    if clip.width_px and clip.height_px:
        frame_at(path, parse_picture("equirect180", clip.width_px, clip.height_px), min(0.2, clip.duration_s / 2))
    return "read"


def _all(content: bytes, kind: bytes) -> Iterator[int]:
    at = content.find(kind)
    while at >= 0:
        yield at
        at = content.find(kind, at + 1)


def run_cases(kind: str, folder: Path, cases: range) -> list[dict[str, object]]:
    """Read cases in processes of their own; one that dies or hangs is a case with that for its answer."""
    results: list[dict[str, object]] = []
    first = cases.start
    while first < cases.stop:
        command = [sys.executable, "-m", "tests.fuzzing", kind, str(folder), str(first), str(cases.stop)]
        done = subprocess.run(
            command, capture_output=True, text=True, cwd=Path(__file__).parent.parent, check=False, timeout=1800
        )
        told = [json.loads(line) for line in done.stdout.splitlines() if line.startswith("{")]
        results += told
        first += len(told)
        if first < cases.stop:
            results.append({"case": first, "answer": f"died {done.returncode}", "trace": done.stderr[-2000:]})
            first += 1
    return results


def main() -> None:
    """Read the cases named and print what came of each."""
    kind, folder, first, last = sys.argv[1], Path(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4])
    warnings.simplefilter("error")
    # Libraries map a lot that they never touch: what counts is what is used, which is measured for each case.
    resource.setrlimit(resource.RLIMIT_AS, (6_000_000_000, 6_000_000_000))
    for case in range(first, last):
        used = time.process_time()
        # The kernel ends a case that goes on: then the next process goes on behind it.
        resource.setrlimit(resource.RLIMIT_CPU, (int(used + MOST_S) + 1, resource.RLIM_INFINITY))
        trace = ""
        try:
            answer = read_case(kind, folder, case)
        except BaseException as error:  # what a test of this kind is for
            answer, trace = f"{type(error).__name__}: {error}"[:200], traceback.format_exc()[-2500:]
        peak = _peak_bytes()
        took = time.process_time() - used
        print(json.dumps({"case": case, "answer": answer, "s": took, "peak": peak, "trace": trace}), flush=True)


def _peak_bytes() -> int:
    """The most memory that this process has used; what getrusage says holds that of the process that started it too."""
    lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    (peak_kib,) = [line.split()[1] for line in lines if line.startswith("VmHWM:")]
    return 1024 * int(peak_kib)


if __name__ == "__main__":
    main()
