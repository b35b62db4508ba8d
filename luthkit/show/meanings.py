"""What the figures mean, in sentences for the maker: shown by reports and notebooks alike."""


def _sentences(text: str) -> tuple[str, ...]:
    """The paragraphs of a text, each on one line."""
    return tuple(" ".join(part.split()) for part in text.strip().split("\n\n"))


PLUS_MINUS = (
    "± is one standard uncertainty: the true value lies within twice that in about 95 of 100 cases, as far as the "
    "recordings can show. Bars and bands in pictures, and ranges in brackets, are 95 % where nothing else is said."
)
UNCERTAINTY = "uncertainties after JCGM 100:2008, the guide to their expression"

MODES = _sentences(f"""
Frequency: where the body would ring by itself, in hertz.

Damping ratio: how fast it dies away, in percent. Q = 1 / (2 × damping ratio): a high Q rings long and
stands sharp in the spectrum.

{PLUS_MINUS}

Level*: grey, because the microphone is not calibrated, and its place and the room change it. It is
never judged.

The grey line under the spectrum is the noise of the room just before the taps, smoothed over about 15
Hz.

“room?” marks a line that may belong to the room, “string” one that rings too long for wood.

Above about 600 to 800 Hz modes overlap, and which is which is less and less sure (common practice, no
source).

For those who check: {UNCERTAINTY}.
""")

COMPARISON = _sentences("""
Cents: 100 cents are one semitone, 17 cents are 1 %. The difference is build minus reference. With
several references it is taken from their mean; the verdict rests on the distance from the nearest of them,
which the remarks tell.

A name with “?” is borne out by the taps of some of the guitars only.

“within repeatability”: no difference is shown; one guitar recorded twice could differ as much.

“inside the references' range”: the build lies between your references.

“real, likely unheard”: there is a difference, and it is smaller than what a typical listener begins to
notice.

“real, perhaps heard”: there is a difference; the error is too large to say whether a typical listener
begins to notice it.

“likely heard”: the whole 95 % interval lies beyond what a typical listener begins to notice in the best
conditions. Across a room or across years an ear needs more.

“cannot tell”: the error is too large for a verdict, or fewer than three taps were kept.

There is no overall score. Whether a difference is for the better is for your ear to say.
""")

CARE = _sentences("""
Tap with a padded knuckle or a soft mallet. Put no lump of mass, no glue and no hard hammer on an old
finish.

A hand or cloth on the body, strings left undamped, or another way of hanging the guitar changes the
readings.

A mode that was not found is not shown to be absent: it may be weak where you tapped or where the
microphone stood.
""")
