"""What proves the dead man: the program stops on purpose and, after the reset, says when the contact opened.

The time has to outlive the watchdog's reset: it is kept in one 32-bit word,
upper half a mark, lower half milliseconds.
"""

from wardenfw.ticks import sleep_us, ticks_diff, ticks_us

MARK = 0x57A1
NOT_OPENED = 0xFFFF


def hang(relay, keep_word, limit_ms):
    """Give one last edge, then nothing more, enable still high; end in the watchdog's reset.

    Args:
        relay: relay.Relay, driven.
        keep_word: see board.Board.
        limit_ms: give up after this; past the watchdog's time it has failed.

    Returns:
        Milliseconds from the last edge until the contact read open, NOT_OPENED if it did not.
    """
    keep_word(MARK << 16 | NOT_OPENED)
    took_ms = NOT_OPENED
    relay.tick()
    start = ticks_us()
    while True:
        now = ticks_diff(ticks_us(), start)
        if took_ms == NOT_OPENED and not relay.contact_closed():
            took_ms = max(1, (now + 500) // 1000)
            keep_word(MARK << 16 | took_ms)
        if now >= limit_ms * 1000:
            return took_ms
        sleep_us(100)


def opened_ms(word):
    """Return what `hang` kept before the reset: milliseconds, NOT_OPENED, or 0 when there was no stall."""
    return word & 0xFFFF if word >> 16 == MARK else 0


def in_words(took_ms):
    if took_ms == NOT_OPENED:
        return "stalled as asked; the contact did NOT open"
    return "stalled as asked; contact open %d ms after the last pulse" % took_ms
