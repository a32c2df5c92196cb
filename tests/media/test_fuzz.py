"""Mutated movies, chunks and tables: read or refused in one sentence, never a traceback, a hang, or a full memory.

SOUNDPLUMB_FUZZ_CASES says how many movies (and half as many texts); an ordinary run has a few hundred.
"""

import os
from pathlib import Path

import pytest

from tests.fuzzing import MOST_BYTES, MOST_S, run_cases, write_seeds

CASES = int(os.environ.get("SOUNDPLUMB_FUZZ_CASES", "300"))


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "cases"), [("movies", CASES), ("texts", CASES // 2)])
def test_mutations_are_read_or_refused(tmp_path: Path, kind: str, cases: int) -> None:
    write_seeds(tmp_path)
    results = run_cases(kind, tmp_path, range(cases))
    bad = [told for told in results if told["answer"] not in ("read", "refused")]
    assert not bad, bad[:3]
    assert len(results) == cases
    assert max(told["s"] for told in results) < MOST_S
    assert max(told["peak"] for told in results) < MOST_BYTES
    # Mutations that are all refused at the door would try nothing behind it.
    assert sum(told["answer"] == "read" for told in results) > 0.1 * cases
