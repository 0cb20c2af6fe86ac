"""What is wrong, on standard error."""

import sys

from runlog.report.writing import plain


def complain(message: str) -> None:
    """One message on standard error."""
    text = "\n".join(plain(line) for line in message.splitlines())
    print(f"runlog: {text}" if "\n" not in text else text, file=sys.stderr)
