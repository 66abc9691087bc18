"""Probes that send lines like ``T=21.50`` (degC) to a UDP port of this computer; invented."""

import asyncio
import contextlib
import functools
import re

from pydantic import BaseModel, Field

from logger.driver_api import DecodeError, Flag, LinkState, Quantity, Reach, Sample, in_range


class LineOptions(BaseModel, extra="forbid"):
    port: int = Field(ge=1, le=65535)


def decode(packet):
    if (match := re.fullmatch(rb"T=(-?[0-9]{1,4}\.[0-9]{1,2})\n?", packet)) is None:
        raise DecodeError("a packet is not like T=21.50; set the probe to send text", packet)
    return float(match[1])


class Listener(asyncio.DatagramProtocol):
    def __init__(self, probe, take):
        self.datagram_received = lambda packet, _: take(probe, packet)


class LineProbe:
    name, simulated, Options, silence_s = "line-probe", False, LineOptions, 10.0

    def __init__(self, probes, context):
        self._context, self._heard_ns = context, {}
        self._ports = {p.name: LineOptions.model_validate(dict(p.options)).port for p in probes}

    async def run(self):
        self._heard_ns = dict.fromkeys(self._ports, self._context.now_ns())
        async with self._listening(self._take):
            while True:
                await self._context.wait_until(self._context.now_ns() + 100_000_000)
                for probe, t_ns in self._heard_ns.items():
                    if self._context.now_ns() - t_ns > self.silence_s * 1e9:
                        self._context.link(probe, LinkState.LOST, f'probe "{probe}": no packet; switch it on')

    async def reach(self, seconds):
        heard = {}
        async with self._listening(heard.__setitem__):
            await self._context.wait_until(self._context.now_ns() + round(seconds * 1e9))
        found = {p: ("heard", "") if p in heard else ("no packet", "switch it on") for p in self._ports}
        return [Reach(probe=p, ok=not step, text=text, next_step=step) for p, (text, step) in found.items()]

    @contextlib.asynccontextmanager
    async def _listening(self, take):
        loop = asyncio.get_running_loop()
        with contextlib.ExitStack() as stack:
            for probe, port in self._ports.items():
                listener = functools.partial(Listener, probe, take)
                way, _ = await loop.create_datagram_endpoint(listener, ("127.0.0.1", port))
                stack.callback(way.close)
            yield

    def _take(self, probe, packet):
        try:
            value = decode(packet)
        except DecodeError as error:
            self._context.link(probe, LinkState.REFUSED, f'probe "{probe}": {error}')
            return
        self._heard_ns[probe] = self._context.now_ns()
        self._context.link(probe, LinkState.LIVE, f'probe "{probe}": live')
        flag = Flag.OK if in_range(Quantity.TEMPERATURE, value) else Flag.OUT_OF_RANGE
        self._context.emit(Sample(probe=probe, quantity=Quantity.TEMPERATURE, value=value, flag=flag))
