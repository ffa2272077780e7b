"""The inbox: bounded, in order, and nothing is dropped."""

from mustwatch.ingest.arrival import Arrival
from mustwatch.ingest.inbox import Inbox


def test_arrivals_come_out_in_their_order_and_no_more_than_asked_for() -> None:
    inbox = Inbox(10)
    for i in range(5):
        inbox.put(Arrival("t", b"x", i))
    assert [a.received_ms for a in inbox.receive(3, 0.0)] == [0, 1, 2]
    assert [a.received_ms for a in inbox.receive(9, 0.0)] == [3, 4]
    assert inbox.receive(9, 0.0) == []


def test_there_is_no_room_at_the_bound_of_arrivals_or_of_bytes() -> None:
    by_count, by_bytes = Inbox(2), Inbox(100, most_bytes=10)
    by_count.put(Arrival("t", b"", 0))
    assert by_count.has_room()
    by_count.put(Arrival("t", b"", 0))
    assert not by_count.has_room()
    by_bytes.put(Arrival("t", b"123456789", 0))
    assert by_bytes.has_room()
    by_bytes.put(Arrival("t", b"123456789", 0))
    assert not by_bytes.has_room()


def test_what_is_put_without_room_is_kept_all_the_same() -> None:
    inbox = Inbox(1)
    inbox.put(Arrival("t", b"", 1))
    inbox.put(Arrival("t", b"", 2))
    assert len(inbox.receive(9, 0.0)) == 2


def test_the_producer_hears_of_room_only_after_there_was_none() -> None:
    inbox, heard = Inbox(2), []
    inbox.on_room = lambda: heard.append(len(inbox))
    inbox.put(Arrival("t", b"", 1))
    inbox.receive(1, 0.0)
    assert heard == []
    inbox.put(Arrival("t", b"", 1))
    inbox.put(Arrival("t", b"", 2))
    inbox.receive(1, 0.0)
    assert heard == [1]
    inbox.receive(1, 0.0)
    assert inbox.has_room()


def test_bytes_are_given_back_when_arrivals_are_taken() -> None:
    inbox = Inbox(1000, most_bytes=10)
    for _ in range(50):
        inbox.put(Arrival("t", b"1234567890", 0))
        assert not inbox.has_room()
        inbox.receive(1, 0.0)
        assert inbox.has_room()
