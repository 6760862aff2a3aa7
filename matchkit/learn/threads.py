"""Linear algebra on one thread: on shared cores two take several times the work of one, for matrices as small as these."""

from __future__ import annotations

import sys
from functools import cache
from typing import Any


@cache
def _controller(*, with_scipy: bool) -> Any:  # noqa: ARG001 - scipy brings libraries of its own, found only once it is imported
    from threadpoolctl import ThreadpoolController

    return ThreadpoolController()


def one_thread(*, with_scipy: bool = False) -> Any:
    """Keep linear algebra to one thread while it is entered; that of scipy too ``with_scipy``, which is imported for it."""
    if with_scipy:
        pass
    return _controller(with_scipy="scipy.linalg" in sys.modules).limit(limits=1)
