"""One BLAS thread where matrices are small: several only get in each other's way."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from threadpoolctl import get_cached_controller


@contextmanager
def one_thread() -> Iterator[None]:
    """Let products of matrices take one thread; as a decorator, during each call.

    A fit takes thousands of small ones, and on a busy computer each would wait for the other
    thread's turn. The libraries are looked up once: each time it would be 2.5 ms.
    """
    with get_cached_controller().limit(limits=1):
        yield
