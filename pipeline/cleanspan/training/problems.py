"""Problems of a table: what is wrong alike in many rows is one mistake and one line."""


class Problems(list[str]):
    """Lines that say what is wrong, in the order in which it was met."""

    def __init__(self) -> None:
        super().__init__()
        self._met: dict[tuple[str, str], tuple[int, str, int]] = {}

    def repeated(self, place: str, must: str, *, got: str, then: str = "") -> None:
        """Add a problem that many rows may have: its line tells the first one and the number.

        Parameters
        ----------
        place : str
            ``file:line`` of the row.
        must, got, then : str
            What must hold, what the row has instead, what to do.
        """
        at, first, before = self._met.get((must, got), (len(self), place, 0))
        if not before:
            self.append("")
        self._met[must, got] = at, first, before + 1
        often = f" in {before + 1} rows, the first of them here" if before else ""
        self[at] = f"{first}: {must}, got {got}{often}{then}"
