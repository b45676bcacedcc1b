"""Tasks run without worker processes."""

from collections.abc import Callable
from concurrent.futures import Executor, Future
from typing import Any


class InPlace(Executor):
    """Runs each task as it is handed in, in this thread."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Run the task; the future that comes back is done."""
        future: Future[Any] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as error:
            future.set_exception(error)
        return future
