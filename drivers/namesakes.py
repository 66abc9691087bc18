"""Several devices of one name, of which one is the probe; nothing here needs a radio."""

from __future__ import annotations


class Namesakes:
    """Devices of the probe's name. ``others``: those heard before a later sign of life of the probe.

    One that is heard only after the last sign may be the probe itself, with a new address.

    >>> namesakes = Namesakes()
    >>> for address in ("B", "A", "C"):
    ...     namesakes.hear(address, probe="A")
    >>> namesakes.others, namesakes.heard
    ({'B'}, {'C'})
    """

    def __init__(self) -> None:
        self.others: set[str] = set()
        self.heard: set[str] = set()  # since the last sign of life

    def hear(self, address: str, *, probe: str | None) -> None:
        """A packet came from a device of that name; ``probe``: address of the one that is used."""
        if address == probe:
            self.alive(address)
        else:
            self.heard.add(address)

    def alive(self, probe: str) -> None:
        """The probe gave a sign of life, by a packet or by answering."""
        self.others = (self.others | self.heard) - {probe}
        self.heard = set()
