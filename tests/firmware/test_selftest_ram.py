"""The march over the buffers: it finds what memory can do wrong, and leaves later contents as they were."""

from __future__ import annotations

from array import array

import pytest

from wardenfw import ram_test


class Broken:
    """A buffer whose memory has one fault; as much of memoryview as the march uses."""

    def __init__(self, cells: bytearray, fault: object, at: int = 0) -> None:
        self.cells, self.fault, self.at = cells, fault, at

    def __len__(self) -> int:
        return len(self.cells)

    def __getitem__(self, part: slice) -> Block:
        start, stop, _ = part.indices(len(self.cells))
        return Block(self, start, stop)


class Block:
    def __init__(self, whole: Broken, start: int, stop: int) -> None:
        self.whole, self.start, self.stop = whole, start, stop

    def __len__(self) -> int:
        return self.stop - self.start

    def __iter__(self):  # type: ignore[no-untyped-def]
        return iter(self.whole.cells[self.start : self.stop])

    def __setitem__(self, part: slice, data: array[int]) -> None:
        assert part == slice(None)
        self.whole.cells[self.start : self.stop] = data.tobytes()
        self.whole.fault(self.whole.cells, self.start)  # type: ignore[operator]

    def __eq__(self, other: object) -> bool:
        return bytes(self) == bytes(other)  # type: ignore[call-overload]

    def __hash__(self) -> int:
        return 0


def march_of(fault: object, size: int = 1000) -> int:
    whole = Broken(bytearray(size), fault)
    step = ram_test.BLOCK_BYTES
    return ram_test.march([whole[at : at + step] for at in range(0, size, step)], "B")


def stuck(at: int, bit: int, value: int) -> object:
    def fault(cells: bytearray, start: int) -> None:
        cells[at] = cells[at] & ~(1 << bit) | value << bit

    return fault


@pytest.mark.parametrize("at", [0, 127, 128, 500, 999])
@pytest.mark.parametrize("bit", range(8))
@pytest.mark.parametrize("value", [0, 1])
def test_a_stuck_bit_is_found(at: int, bit: int, value: int) -> None:
    assert march_of(stuck(at, bit, value)) == at // ram_test.BLOCK_BYTES


def aliased(low: int, high: int) -> object:
    """Two blocks that are one: an address line that does nothing."""

    def fault(cells: bytearray, start: int) -> None:
        if start == low:
            cells[high : high + 128] = cells[low : low + 128]
        elif start == high:
            cells[low : low + 128] = cells[high : high + 128]

    return fault


@pytest.mark.parametrize(("low", "high"), [(0, 128), (0, 256), (128, 640), (256, 512), (640, 768)])
def test_two_blocks_that_are_one_are_found(low: int, high: int) -> None:
    assert march_of(aliased(low, high)) >= 0


@pytest.mark.parametrize(("aggressor", "victim"), [(0, 900), (768, 5), (256, 300), (384, 200)])
@pytest.mark.parametrize("value", [0, 1])
def test_a_write_that_disturbs_another_block_is_found(aggressor: int, victim: int, value: int) -> None:
    def fault(cells: bytearray, start: int) -> None:
        if start == aggressor:
            cells[victim] = cells[victim] & ~1 | value

    assert march_of(fault) >= 0


def test_sound_memory_passes() -> None:
    assert march_of(lambda cells, start: None) == -1


def buffers() -> tuple[tuple[str, str, object], ...]:
    return (
        ("samples", "i", array("i", [-(1 << 29)] * 13)),
        ("times", "I", array("I", range(250))),
        ("counts", "i", array("i", range(-1500, 1750))),
        ("bits", "B", bytearray(range(250))),
    )


def test_later_every_content_is_put_back() -> None:
    held = buffers()
    fed: list[int] = []
    assert ram_test.RamTest(held).run(False, lambda: fed.append(1)) == "ok"
    assert held == buffers()
    assert fed


def test_at_power_on_long_buffers_end_as_zeros_and_short_ones_as_they_were() -> None:
    held = buffers()
    assert ram_test.RamTest(held).run(True, lambda: None) == "ok"
    assert held[0] == buffers()[0]
    assert [any(buffer) for _, _, buffer in held[1:]] == [False] * 3  # type: ignore[call-overload]


def test_the_buffer_that_fails_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    real = ram_test._blocks

    def blocks(buffer: object, code: str) -> object:
        if isinstance(buffer, bytearray):
            whole = Broken(bytearray(250), stuck(200, 3, 1))
            return [whole[0:128], whole[128:250]]
        return real(buffer, code)

    monkeypatch.setattr(ram_test, "_blocks", blocks)
    for power_on in (True, False):
        said = ram_test.RamTest(buffers()).run(power_on, lambda: None)
        assert said == "bits does not hold a pattern in block 1 of 2"
