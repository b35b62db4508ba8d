"""Text fit for one line of a terminal."""


def one_line(text: str) -> str:
    """Control characters and undecodable bytes are shown, not sent.

    >>> one_line("two\\nlines")
    'two\\\\nlines'
    """
    text = text.encode("utf-8", "backslashreplace").decode("utf-8")
    return "".join(letter if letter.isprintable() else letter.encode("unicode_escape").decode() for letter in text)
