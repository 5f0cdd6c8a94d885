"""The publisher: sends analysis lines and alarms of one journal to a broker, by MQTT.

`python -m monitor.recorder.publishing JOURNAL` follows the journal as the rig's [publish] says,
until its standard input ends; then it sends what there is and ends too. It is a process of its own,
so that no broker holds up a reading. While the broker is away the journal keeps what is to be sent.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import aiomqtt

from monitor.entries import ClosedCleanly, NoticeSent
from monitor.journal import JournalError, Reader, append_entry, is_recorded
from monitor.plan.model import Publish
from monitor.recorder.broker import SettingError, client_of, retained, still_there
from monitor.recorder.ended import Ended
from monitor.recorder.outgoing import (
    Lines,
    alarm_messages,
    is_same_alarm,
    rig_in_force,
    run_message,
)

__all__ = ["Publisher", "main"]

_POLL_S = 0.2
_FIRST_PAUSE_S = 0.5
_LONGEST_PAUSE_S = 20.0
_FINISH_S = 10.0
"""How long a broker that is away is still looked for once the run has ended."""
_HEAD_EVERY_S = 60.0


class Publisher:
    """Follows one journal and sends what comes. `ended`: nothing more will be recorded."""

    def __init__(
        self,
        path: Path,
        ended: Callable[[], bool],
        environment: Mapping[str, str] = os.environ,
    ) -> None:
        self._path, self._ended, self._environment = path, ended, environment
        self._reader = Reader(path)
        self._run = run_message(next(self._reader.entries(limit=1)))
        self._lines = Lines(self._reader)
        self._alarms: dict[str, Mapping[str, Any]] = {}
        self._table: Publish | None = None
        self._rig_seq = 0
        self._trouble = ""
        self._give_up_s = float("inf")

    def close(self) -> None:
        """Let go of the journal."""
        self._reader.close()

    async def follow(self) -> bool:
        """Send until the run has ended; False where something could not be sent in time.

        Another [publish] is followed as soon as it is in force; without one there is nothing to do.
        """
        pause_s = _FIRST_PAUSE_S
        while True:
            table = self._table_now()
            if table is None:
                if self._ended():
                    return True
                await asyncio.sleep(_POLL_S)
                continue
            try:
                async with self._client(table) as client:
                    await self._begin(client, table.topic)
                    self._tell_well()
                    pause_s = _FIRST_PAUSE_S
                    if await self._guarded(client, table):
                        return True
                    continue
            except (aiomqtt.MqttError, SettingError, OSError, ValueError) as error:
                self._tell_trouble(str(error))
            if not await self._wait(pause_s):
                return False
            pause_s = min(2.0 * pause_s, _LONGEST_PAUSE_S)

    def _table_now(self) -> Publish | None:
        """[publish] of the rig in force; worked out anew only where something was amended."""
        last_seq = self._reader.head()[0]
        news = self._reader.entries(after_seq=self._rig_seq, limit=1, kinds=("amended",))
        if self._rig_seq == 0 or any(news):
            rig = rig_in_force(self._reader)
            self._table = None if rig is None else rig.publish
        self._rig_seq = last_seq
        return self._table

    async def _wait(self, pause_s: float) -> bool:
        """Wait before the next attempt; False where there is to be none."""
        until_s = time.monotonic() + pause_s
        while time.monotonic() < min(until_s, self._give_up_s):
            if self._ended() and self._give_up_s == float("inf"):
                self._give_up_s = time.monotonic() + _FINISH_S
                until_s = min(until_s, time.monotonic() + _FIRST_PAUSE_S)
            await asyncio.sleep(min(_POLL_S, max(until_s - time.monotonic(), 0.01)))
        return time.monotonic() < self._give_up_s

    def _client(self, table: Publish) -> aiomqtt.Client:
        name = f"mantlewatch-publish-{json.loads(self._run)['run']}"
        will = aiomqtt.Will(f"{table.topic}/state", "offline", qos=1, retain=True)
        return client_of(table, self._environment, name, will)

    async def _begin(self, client: aiomqtt.Client, topic: str) -> None:
        """Say that we are there, and learn from the broker what it has of this run."""
        await client.publish(f"{topic}/state", "online", qos=1, retain=True)
        kept = await retained(client, topic)
        self._alarms = {
            name: alarm
            for name, text in kept.items()
            if (alarm := _object(text)) is not None and name.startswith(f"{topic}/alarm/")
        }
        if kept.get(f"{topic}/run") == self._run:
            self._lines.resume_after(kept.get(f"{topic}/line", ""))
            return
        # The line goes first: without it the next run would be taken up where this one ended.
        for name in (f"{topic}/line", f"{topic}/head", *self._alarms):
            await client.publish(name, "", qos=1, retain=True)
        self._alarms = {}
        await client.publish(f"{topic}/run", self._run, qos=1, retain=True)

    async def _guarded(self, client: aiomqtt.Client, table: Publish) -> bool:
        """Send; where the journal fails us, the broker is told before we leave it politely."""
        try:
            return await self._send(client, table)
        except JournalError:
            await client.publish(f"{table.topic}/state", "offline", qos=1, retain=True)
            raise

    async def _leave(self, client: aiomqtt.Client, topic: str) -> None:
        """Nothing more comes under this topic: no alarm may stay there that nobody takes away."""
        for name in self._alarms:
            await client.publish(name, "", qos=1, retain=True)
        self._alarms = {}
        await client.publish(f"{topic}/state", "offline", qos=1, retain=True)

    async def _send(self, client: aiomqtt.Client, table: Publish) -> bool:
        """Everything that is there, and whatever comes.

        True when the run has ended, False where another [publish] has come into force.
        """
        seen, last_round, head_s, topic = None, False, 0.0, table.topic
        while True:
            version = self._reader.version()
            if version != seen or last_round:
                seen = version
                if self._table_now() != table:
                    await self._leave(client, topic)
                    return False
                await self._send_news(client, topic)
            if time.monotonic() >= head_s or last_round:
                head_s = time.monotonic() + _HEAD_EVERY_S
                await self._send_head(client, topic)
            if last_round:
                break
            last_round = self._ended()
            if not last_round:
                await asyncio.sleep(_POLL_S)
                await still_there(client)
        await client.publish(f"{topic}/state", self._ending(), qos=1, retain=True)
        return True

    async def _send_news(self, client: aiomqtt.Client, topic: str) -> None:
        """Alarms as they stand now, first; then the lines that are still to be sent, in order."""
        now = alarm_messages(topic, self._reader.last_line())
        for name, alarm in now.items():
            if not is_same_alarm(self._alarms.get(name), alarm):
                text = json.dumps(alarm, ensure_ascii=False)
                await client.publish(name, text, qos=1, retain=True)
        for name in self._alarms.keys() - now.keys():
            await client.publish(name, "", qos=1, retain=True)
        self._alarms = dict(now)
        for text in self._lines.waiting():
            await client.publish(f"{topic}/line", text, qos=1, retain=True)
            self._lines.sent(text)

    async def _send_head(self, client: aiomqtt.Client, topic: str) -> None:
        seq, digest = self._reader.head()
        text = json.dumps({"format": 1, "seq": seq, "hash": digest})
        await client.publish(f"{topic}/head", text, qos=1, retain=True)

    def _ending(self) -> str:
        last = self._reader.last_entry()
        return "finished" if last and isinstance(last.body, ClosedCleanly) else "offline"

    def _tell_trouble(self, text: str) -> None:
        """An entry for each outage, not for each attempt."""
        if not self._trouble:
            self._notice(text, ok=False)
        self._trouble = text

    def _tell_well(self) -> None:
        if self._trouble:
            self._notice(f"sending again, after: {self._trouble}", ok=True)
        self._trouble = ""

    def _notice(self, text: str, *, ok: bool) -> None:
        clean = "".join(c if c.isprintable() else "?" for c in text[:300])
        print(clean, file=sys.stderr, flush=True)
        if is_recorded(self._path):
            with contextlib.suppress(JournalError):
                append_entry(self._path, NoticeSent("mqtt", clean, ok), utc_s=time.time())


def _object(text: str) -> dict[str, object] | None:
    try:
        found = json.loads(text)
    except ValueError:
        return None
    return found if isinstance(found, dict) else None


def main(arguments: Sequence[str] | None = None) -> int:
    """Send from the journal named by the one argument; 1 where not all could be sent."""
    words = sys.argv[1:] if arguments is None else arguments
    if len(words) != 1:
        print("usage: python -m monitor.recorder.publishing JOURNAL", file=sys.stderr)
        return 2
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the recorder says when to end
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        publisher = Publisher(Path(words[0]), Ended())
        try:
            return 0 if asyncio.run(publisher.follow()) else 1
        finally:
            publisher.close()
    except JournalError as error:
        print(error, file=sys.stderr)
        return 1


if __name__ == "__main__":
    sys.exit(main())
