"""Telling a message the broker repeats from a new one that says the same.

The rules of repetition are MQTT's (3.1.1 and 5.0, sections 3.3.1.1 and 4.4): DUP set, the first packet identifier.
"""

import pytest

from mustwatch.ingest.arrival import AckToken, Arrival
from mustwatch.ingest.redelivery import RedeliveryLedger


def arrival(
    packet_id: int,
    payload: bytes = b"20.1",
    *,
    dup: bool = False,
    topic: str = "t",
    generation: int = 1,
    resumed: bool = True,
) -> Arrival:
    return Arrival(topic, payload, 0, 0.0, False, dup, len(payload), AckToken(generation, packet_id, resumed))


def store(ledger: RedeliveryLedger, *arrivals: Arrival) -> None:
    for each in arrivals:
        assert not ledger.is_repeated(each)
        ledger.remember(each)
    ledger.committed()


def after_a_crash(ledger: RedeliveryLedger) -> RedeliveryLedger:
    return RedeliveryLedger(ledger.snapshot())


def test_stored_but_not_acknowledged_and_repeated_after_a_crash_is_known() -> None:
    ledger = RedeliveryLedger()
    store(ledger, arrival(7))
    assert after_a_crash(ledger).is_repeated(arrival(7, dup=True))


def test_a_crash_before_the_commit_leaves_the_repetition_to_be_stored() -> None:
    ledger = RedeliveryLedger()
    ledger.is_repeated(arrival(7))
    ledger.remember(arrival(7))  # and the power goes
    assert not after_a_crash(ledger).is_repeated(arrival(7, dup=True))


def test_an_equal_value_stored_before_does_not_swallow_a_repeated_one_that_was_not_stored() -> None:
    # 20.1 °C was stored as packet 7; 20.1 °C came again as packet 8, and was not committed before the crash
    ledger = RedeliveryLedger()
    store(ledger, arrival(7))
    assert not after_a_crash(ledger).is_repeated(arrival(8, dup=True))


def test_without_the_dup_flag_nothing_is_a_repetition() -> None:
    # identifiers are used again, by a broker that has begun anew at once
    ledger = RedeliveryLedger()
    store(ledger, arrival(7))
    assert not ledger.is_repeated(arrival(7))


@pytest.mark.parametrize("other", [{"payload": b"20.2"}, {"topic": "u"}])
def test_an_identifier_used_again_for_another_message_is_no_repetition(other: dict[str, str]) -> None:
    ledger = RedeliveryLedger()
    store(ledger, arrival(7))
    assert not ledger.is_repeated(arrival(7, dup=True, **other))  # type: ignore[arg-type]


def test_topic_and_payload_do_not_run_into_each_other() -> None:
    ledger = RedeliveryLedger()
    store(ledger, arrival(7, b"bc", topic="a"))
    assert not ledger.is_repeated(arrival(7, b"c", topic="ab", dup=True))


def test_payloads_that_were_cut_alike_differ_by_their_length() -> None:
    ledger = RedeliveryLedger()
    store(ledger, arrival(7)._replace(payload_bytes=10**7))
    assert ledger.is_repeated(arrival(7, dup=True)._replace(payload_bytes=10**7))
    assert not ledger.is_repeated(arrival(7, dup=True)._replace(payload_bytes=10**7 + 1))


def test_a_repetition_within_the_same_batch_is_known_before_the_commit() -> None:
    # the connection broke while the first copy waited in the inbox, and the broker sent it again
    ledger = RedeliveryLedger()
    ledger.is_repeated(arrival(7))
    ledger.remember(arrival(7))
    assert ledger.is_repeated(arrival(7, dup=True, generation=2))


def test_a_broker_that_has_forgotten_the_session_begins_identifiers_anew() -> None:
    ledger = RedeliveryLedger()
    store(ledger, arrival(7))
    forgotten = after_a_crash(ledger)
    assert not forgotten.is_repeated(arrival(1, resumed=False))
    assert forgotten.change().emptied
    # packet 7 of the new session says the same as packet 7 of the old, is lost on its way, and comes again
    assert not forgotten.is_repeated(arrival(7, dup=True, resumed=False))
    forgotten.committed()
    assert forgotten.snapshot() == ()


def test_a_resumed_session_keeps_the_ledger_across_connections() -> None:
    ledger = RedeliveryLedger()
    store(ledger, arrival(7))
    assert ledger.is_repeated(arrival(7, dup=True, generation=2))
    assert ledger.is_repeated(arrival(7, dup=True, generation=3))


def test_a_transaction_that_fails_leaves_no_trace() -> None:
    ledger = RedeliveryLedger()
    store(ledger, arrival(7))
    before = ledger.snapshot()
    ledger.is_repeated(arrival(1, generation=2, resumed=False))
    ledger.remember(arrival(1, generation=2, resumed=False))
    ledger.rolled_back()
    assert ledger.snapshot() == before
    assert ledger.change() == (False, ())
    # taken again, it is the same as the first time
    assert not ledger.is_repeated(arrival(1, generation=2, resumed=False))
    assert ledger.change().emptied


def test_the_table_never_has_more_rows_than_slots_and_keeps_the_latest() -> None:
    ledger = RedeliveryLedger(capacity=10)
    table: dict[int, object] = {}
    for batch in range(7):
        for packet_id in range(batch * 4, batch * 4 + 4):
            ledger.is_repeated(arrival(packet_id))
            ledger.remember(arrival(packet_id))
        table.update((row.slot, row) for row in ledger.change().rows)
        ledger.committed()
    assert len(table) == 10
    assert sorted(row.packet_id for row in ledger.snapshot()) == list(range(18, 28))
    assert set(table.values()) == set(ledger.snapshot())
    restored = RedeliveryLedger(table.values(), capacity=10)  # type: ignore[arg-type]
    assert restored.snapshot() == ledger.snapshot()
    assert restored.is_repeated(arrival(18, dup=True))
    assert not restored.is_repeated(arrival(17, dup=True))


def test_a_batch_larger_than_the_ledger_keeps_its_latest() -> None:
    ledger = RedeliveryLedger(capacity=10)
    store(ledger, *(arrival(packet_id) for packet_id in range(100, 135)))
    store(ledger, arrival(200))
    assert [row.packet_id for row in ledger.snapshot()] == [*range(126, 135), 200]
    assert len({row.slot for row in ledger.snapshot()}) == 10


def test_a_message_that_needs_no_acknowledgement_is_never_repeated() -> None:
    ledger = RedeliveryLedger()
    plain = Arrival("t", b"20.1", 0, is_duplicate=True)
    ledger.remember(plain)
    assert not ledger.is_repeated(plain)
    assert ledger.change().rows == ()
