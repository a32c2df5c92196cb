"""What recordings are and whether they are sound, as words and as JSON.

Functions: inspect_lines, inspect_json.
"""

from collections.abc import Sequence

import numpy as np

from spatial.capsules import Capsules
from spatial.field import ChannelFormat, ReadAs, plain_format
from spatial.findings import Finding, Severity
from spatial.jobs.inspect.channel_reading import ConventionEvidence
from spatial.jobs.inspect.inspect_takes import InspectResult, Unusable
from spatial.jobs.inspect.movie_words import said_of_picture, said_of_sound
from spatial.media.movies.field_sound import MovieField
from spatial.media.takes.take import Take
from spatial.report.json_output import Json, findings_json
from spatial.report.words import clock_time, findings_lines, table

_VERDICTS = {Severity.FIX: "fix", Severity.LOOK: "look", Severity.NOTE: "sound"}
_FILE_KEYS = (
    "path",
    "paths",
    "channels",
    "rate_hz",
    "duration_s",
    "subtype",
    "channel_order",
    "normalisation",
    "convention_evidence",
    "picked_channels",
    "movie",
    "start_of_day_s",
    "verdict",
    "peak_dbfs",
    "rms_dbfs",
    "noise_floor_dbfs",
    "findings",
)
_NORMALISATIONS = {ChannelFormat.AMBIX: "SN3D", ChannelFormat.N3D: "N3D", ChannelFormat.FUMA: "FuMa"}


def inspect_lines(results: Sequence[InspectResult | Unusable]) -> list[str]:
    """A table of takes, under it which files are one take, and what there is to say of them, worst first."""
    header = ["take", "length", "starts at", "format", "peak", "verdict"]
    takes = [result.take for result in results if isinstance(result, InspectResult)]
    several = [_files_line(take) for take in takes if len(take.paths) > 1]
    said = findings_lines(finding for result in results for finding in result.findings)
    lines = table(header, [_row(result) for result in results])
    marked = [_marks_line(movie) for movie in (r.movie for r in results if isinstance(r, InspectResult)) if movie]
    for more in (several, marked, said):
        lines += ["", *more] if more else []
    return lines


def _row(result: InspectResult | Unusable) -> list[str]:
    if isinstance(result, Unusable):
        return [result.path.name, "-", "-", "-", "-", "unusable"]
    take = result.take
    return [
        take.path.name + (f" ({len(take.paths)} files)" if len(take.paths) > 1 else ""),
        clock_time(take.duration_s),
        "-" if take.start_of_day_s is None else time_of_day(take.start_of_day_s),
        f"{take.channel_format.value}, {take.channels} channels, {take.rate_hz / 1000:g} kHz, "
        f"{take.container} {take.subtype}",
        _loudest(result.peak_dbfs),
        verdict(result.findings),
    ]


def _files_line(take: Take) -> str:
    """Which files are one take: whoever named four looks for four."""
    channels = [path.name for path in take.parts[0].paths]
    if len(take.parts) == 1:
        return f"  {', '.join(channels[:-1])} and {channels[-1]} hold the channels of one recording."
    begins = ", ".join(channels)
    ends = ", ".join(path.name for path in take.parts[-1].paths)
    perfect = not any(part.skip or part.gap for part in take.parts)
    joins = "; each goes on where the one before ends" if perfect else ""
    return f"  {begins} to {ends} are one recording in {len(take.paths)} files{joins}."


def _marks_line(movie: MovieField) -> str:
    """What a movie says of itself."""
    picture = "" if movie.container == "OGG" else f"its picture {said_of_picture(movie.movie.picture)}; "
    return f"  {movie.path.name}: {picture}its sound {said_of_sound(movie)}."


def _movie_json(movie: MovieField | None) -> Json | None:
    if movie is None:
        return None
    words = movie.words
    return {
        "picture": movie.movie.picture.layout,
        "sound_field": bool(words and words.says_field),
        "sa3d": None if words is None or words.field is None else list(words.field),
        "opus_mapping_family": words and words.opus_family,
        "loudspeaker_layout": movie.tracks[0].layout,
        "tracks": [track.scratch.track + 1 for track in movie.tracks],
    }


def inspect_json(results: Sequence[InspectResult | Unusable]) -> Json:
    """For `inspect`."""
    return {"files": [_file_json(result) for result in results]}


def _file_json(result: InspectResult | Unusable) -> Json:
    if isinstance(result, Unusable):
        nothing = dict.fromkeys(_FILE_KEYS)
        told = {"path": str(result.path), "paths": [str(result.path)], "verdict": "unusable"}
        return {**nothing, **told, "findings": findings_json(result.findings)}
    take = result.take
    values = (
        str(take.path),
        [str(path) for path in take.paths],
        take.channels,
        take.rate_hz,
        take.duration_s,
        take.subtype,
        _channel_order(take.channel_format),
        _normalisation(take.channel_format),
        _evidence_json(result.convention),
        [channel + 1 for channel in take.picked],
        _movie_json(result.movie),
        take.start_of_day_s,
        verdict(result.findings),
        result.peak_dbfs,
        result.rms_dbfs,
        result.quiet_dbfs,
        findings_json(result.findings),
    )
    return dict(zip(_FILE_KEYS, values, strict=True))


def verdict(findings: Sequence[Finding]) -> str:
    """The gravest of a take's findings, in a word: "sound" where nothing needs a look.

    Examples
    --------
    >>> verdict([Finding("level", Severity.NOTE, "it is hot"), Finding("hum", Severity.LOOK, "it hums")])
    'look'
    """
    for severity in (Severity.FIX, Severity.LOOK):
        if any(finding.severity is severity for finding in findings):
            return _VERDICTS[severity]
    return _VERDICTS[Severity.NOTE]


def time_of_day(seconds: float) -> str:
    """Seconds since midnight, as hours, minutes and seconds.

    Examples
    --------
    >>> time_of_day(3661.96)
    '01:01:01'
    """
    whole = int(seconds)
    return f"{whole // 3600:02d}:{whole % 3600 // 60:02d}:{whole % 60:02d}"


def _channel_order(channel_format: ReadAs) -> str:
    read_as = plain_format(channel_format)
    if isinstance(read_as, Capsules):
        return ",".join(read_as.order)
    return "WXYZ" if read_as is ChannelFormat.FUMA else "ACN"


def _normalisation(channel_format: ReadAs) -> str | None:
    read_as = plain_format(channel_format)
    return None if isinstance(read_as, Capsules) else _NORMALISATIONS.get(read_as)


def _evidence_json(evidence: ConventionEvidence) -> Json:
    declared, measured = evidence.declared, evidence.measured
    return {
        "basis": evidence.basis.value,
        "declared": declared
        and {
            "by": declared.by,
            "format": declared.channel_format.value if declared.channel_format else None,
            "channels_wyzx": [channel + 1 for channel in declared.acn] if declared.acn else None,
            "capsules": {label: channel + 1 for label, channel in declared.capsules} or None,
        },
        "measured": measured
        and {
            "format": measured.best,
            "sure": measured.sure,
            "odds": dict(measured.odds),
            "order_odds": dict(measured.order_odds),
            "normalisation_odds": dict(measured.normalisation_odds),
            "ratio_xyz_to_w_db": measured.ratio_db,
            "ratio_sd_db": measured.ratio_sd_db,
            "least_correlation": measured.together,
            "omni_channel": None if measured.omni is None else measured.omni + 1,
            "vertical_channel": None if measured.vertical is None else measured.vertical + 1,
        },
    }


def _loudest(peaks_dbfs: Sequence[float]) -> str:
    """The highest of the channels' peaks; a dead channel has none."""
    heard = [peak for peak in peaks_dbfs if np.isfinite(peak)]
    return f"{max(heard):.1f} dBFS" if heard else "silent"
