"""An adapter fed with payloads directly, where there is no Bluetooth stack to ask.

The decoders are the ones that the radio's adapter uses; only the radio is missing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdwatch_adapters.bluetooth.translate import BluetoothProbe, Translator

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator, AsyncIterable, Sequence

    from holdwatch_adapters.ports import Clock
    from holdwatch_physics.reading import ProbeNotice, Reading

Payload = tuple[str, str | None, bytes]
"""Probe name; characteristic UUID, or None for BTHome service data; bytes."""


class PayloadAdapter:
    """Decodes payloads from an async iterator as if a radio had brought them.

    Payloads of probes that are not enrolled are passed over.

    Args:
        probes: The enrolled probes.
        clock: Stamps the readings.
        payloads: Where the payloads come from.
    """

    def __init__(
        self, probes: Sequence[BluetoothProbe], clock: Clock, payloads: AsyncIterable[Payload]
    ) -> None:
        self._translators = {probe.name: Translator(probe, clock) for probe in probes}
        self._payloads = payloads

    @property
    def name(self) -> str:
        """Return the adapter's name in logs and health."""
        return "payload-feed"

    async def stream(self) -> AsyncGenerator[Reading | ProbeNotice, None]:
        """Yield readings and notices as payloads arrive; end when they do."""
        introduced: set[str] = set()
        async for probe, uuid, payload in self._payloads:
            translator = self._translators.get(probe)
            if translator is None:
                continue
            if probe not in introduced:
                introduced.add(probe)
                yield translator.notice("connected", "fed directly, without a radio")
            told = (
                translator.service_data(payload)
                if uuid is None
                else translator.characteristic(uuid, payload)
            )
            for item in told:
                yield item
