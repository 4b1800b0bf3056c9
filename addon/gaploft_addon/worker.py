"""Work in a thread of its own, so that Blender stays alive."""

import queue
import threading

from gaploft.errors import Cancelled


class Worker:
    """A task in a thread of its own, so that Blender stays alive; news of it come in by asking."""

    def __init__(self, task):
        self.outcome = None
        self._news: queue.SimpleQueue = queue.SimpleQueue()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._work, args=(task,), daemon=True)
        self._thread.start()

    @property
    def busy(self):
        return self._thread.is_alive()

    @property
    def stopping(self):
        return self._stop.is_set()

    def stop(self):
        self._stop.set()

    def wait(self):
        self._thread.join()

    def latest(self):
        """Stage and share of the work since the last call, or None."""
        news = None
        while not self._news.empty():
            news = self._news.get()
        return news

    def _work(self, task):
        def progress(stage, share):
            if self._stop.is_set():
                raise Cancelled
            self._news.put((stage, share))

        try:
            self.outcome = task.run(progress)
        # Whatever it is, it is raised again where Blender can show it.
        except BaseException as error:  # noqa: BLE001
            self.outcome = error
