"""Sends letters beside the service's looks: one on which the mail server hangs holds up neither the next look nor what
that has to send. Each delivery claims its own letters, so that several at once are harmless."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable

from .bootstrap import Program
from .letters.delivery import deliver_async
from .sweeping import tell_next

logger = logging.getLogger("nightround.sending")

PATIENCE = 20.0  # seconds, scaled like the time limits of mail: so long a look waits for its delivery
MOST = 4  # deliveries at once; a server on which as many hang is not asked by one more


class Sending:
    """The deliveries of one service. `stop` ends them; `failed` is told of one that raised."""

    def __init__(self, program: Program, stop: asyncio.Event, failed: Callable[[], None]) -> None:
        self._program = program
        self._stop = stop
        self._failed = failed
        self._at_work: set[asyncio.Task[None]] = set()

    async def send(self) -> None:
        """Sends what is due. Returns when that is done, or goes on beside the caller where it takes long."""
        if len(self._at_work) >= MOST:
            logger.warning("nothing new is sent, as many deliveries hang", extra={"deliveries": MOST})
            return
        delivery = asyncio.create_task(self._send())
        self._at_work.add(delivery)
        delivery.add_done_callback(self._at_work.discard)
        await asyncio.wait({delivery}, timeout=PATIENCE * self._program.settings.mail.timeout_scale)

    async def ended(self) -> None:
        """Waits for every delivery that is still at work."""
        if self._at_work:
            await asyncio.wait(self._at_work)

    async def _send(self) -> None:
        try:
            delivered = await deliver_async(self._program, self._stop)
            while delivered.given_up and not self._stop.is_set():
                # Whoever comes next is told at once: nobody knows of what was in those letters.
                await asyncio.to_thread(tell_next, self._program, self._stop.is_set)
                if delivered.trouble:
                    break
                delivered = await deliver_async(self._program, self._stop)
        except Exception:
            self._failed()
            logger.exception("delivery failed")
