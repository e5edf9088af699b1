"""Can a bus be used, and where does a part answer that is not where it should be?"""

# Every address the straps of an INA228 or an ADS1115 can give.
FIRST_ADDRESS, LAST_ADDRESS = 0x40, 0x4F


def lines(board, bus, attach):
    """Look at a bus before it is used; free it when data is held low.

    Args:
        board: for `bus_lines` and `recover_bus`.
        attach: `attach(bus, i2c)` hands the bus, opened anew, to its parts.

    Returns:
        (what is wrong or "ok", whether nine clocks had to free it).
    """
    sda, scl = board.bus_lines(bus)
    recovered = False
    if scl and not sda:
        board.recover_bus(bus)
        sda, scl = board.bus_lines(bus)
        recovered = sda == 1
    attach(bus, board.i2c[bus])
    if not scl:
        return "clock line is held low", recovered
    if not sda:
        return "data line is held low, nine clocks did not free it", recovered
    return "ok", recovered


def answering(i2c):
    """Return the addresses that acknowledge, of those a sense module can have."""
    one = bytearray(1)
    found = []
    for address in range(FIRST_ADDRESS, LAST_ADDRESS + 1):
        try:
            i2c.readfrom_into(address, one)
            found.append(address)
        except OSError:
            pass
    return found


def astray(i2c, missing, expected):
    """Return what to say about a part that does not answer at `missing`.

    Args:
        expected: all addresses that belong on this bus.
    """
    strangers = ["0x%02X" % a for a in answering(i2c) if a not in expected]
    if strangers:
        return "answers at %s, expected 0x%02X" % (" or ".join(strangers), missing)
    return "does not answer at 0x%02X" % missing
