"""`luthkit tone`: the strums and plucks of a guitar, alone or beside references."""

from __future__ import annotations

from ..errors import LuthkitError
from .common import BadUse, add_output, check_paths, tell
from .located import add_paths, located, one_guitar


def add(commands) -> None:
    tone = commands.add_parser("tone", help="strums and plucks: brightness, balance, decay, partials, tuning")
    add_paths(tone, "BUILD")
    tone.add_argument(
        "--reference",
        action="append",
        default=[],
        metavar="REFERENCE",
        help="a reference to compare with, a folder, a guitar of the logbook or a profile (.toml); may be repeated",
    )
    tone.set_defaults(run=run)
    add_output(tone)


def run(options) -> int:
    options.paths = one_guitar(options, kinds=("strum", "pluck"), others="name references with --reference")
    options.reference = located(options.reference, kinds=("strum", "pluck"))
    check_paths([*options.paths, *options.reference], options.report)
    from ..guitar.tone_comparison import compare_tone
    from ..shop.profile_file import is_profile, read_tones
    from ..shop.tone_reading import read_tone
    from ..show import tone as shown

    if is_profile(options.paths[0]):
        raise BadUse(f"{options.paths[0]} is a profile; name it with --reference, and the folder of the build first")
    reading = read_tone(options.paths)
    if not reading.strums and not reading.plucks:
        first = reading.rejected[0] if reading.rejected else None
        why = f": {first.source}: {first.reason}" if first else ""
        raise LuthkitError(f"no usable strum or pluck in {reading.name}{why}")
    references = [tone for path in options.reference for tone in read_tones(path)]
    comparisons = tuple(compare_tone(reading, tone) for tone in references)
    alone = shown.tone_text(reading, compared=any(c.strums for c in comparisons))
    return tell(
        options,
        data=lambda: {**shown.tone_data(reading), "references": [shown.comparison_data(c) for c in comparisons]},
        text=lambda: "\n\n".join([*map(shown.comparison_text, comparisons), alone]),  # what is heard stands first
        page=lambda: shown.comparison_page(comparisons) if comparisons else shown.tone_page(reading),
    )
