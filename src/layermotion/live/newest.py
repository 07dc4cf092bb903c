"""Owns handing on the newest thing alone: what was not taken in time is dropped, never queued."""

import threading
import time
from typing import Generic, TypeVar

Item = TypeVar("Item")


class Newest(Generic[Item]):
    """Holds the newest item, numbered from 1; any number of readers, each at its own pace."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._item: Item | None = None
        self._number = 0

    def put(self, item: Item) -> None:
        """Take the place of the item before."""
        with self._changed:
            self._item, self._number = item, self._number + 1
            self._changed.notify_all()

    def after(self, number: int, timeout_s: float) -> tuple[int, Item] | None:
        """Wait for an item newer than the one of a number, and give the newest.

        Returns
        -------
        number, item
            None where none came in time.
        """
        end_s = time.monotonic() + timeout_s
        with self._changed:
            while self._number <= number or self._item is None:
                left_s = end_s - time.monotonic()
                if left_s <= 0:
                    return None
                self._changed.wait(left_s)
            return self._number, self._item
