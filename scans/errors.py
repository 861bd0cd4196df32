"""The one error that means: what the user gave is wrong."""

from __future__ import annotations


class InputError(ValueError):
    """A file, dataset or option is wrong; nothing of ours is.

    The command line prints the message without a traceback and exits with 2.

    Parameters
    ----------
    found
        What is there, with the value and its unit.
    where
        File, dataset path, index or option name.
    expected
        What should be there.
    fix
        What the user can do about it, as a sentence.
    """

    def __init__(self, found: str, *, where: str, expected: str, fix: str) -> None:
        self.found, self.where, self.expected, self.fix = found, where, expected, fix
        super().__init__(f"{where}: {found}; expected {expected}. {fix}")

    def __reduce__(self) -> tuple[object, ...]:
        """Pickle by the four parts, so that the error passes from one process to another."""
        return _again, (type(self), self.found, self.where, self.expected, self.fix)


def _again(kind: type[InputError], found: str, where: str, expected: str, fix: str) -> InputError:
    return kind(found, where=where, expected=expected, fix=fix)
