"""From the outbox to a real SMTP server: the mail that arrives is one a winemaker can read."""

from endpoints import Mailbox
from mustwatch.alerting.rules import TellTarget
from mustwatch.deliver.apprise_deliverer import AppriseDeliverer
from mustwatch.deliver.deliverer import Parcel, Picture, TellAddress

BODY = (
    "The must is at 27.3 °C, above its limit of 26.0 °C.\nNext: Bring it somewhere cooler.\nTake care: CO2."
)


def test_a_mail_arrives_with_subject_plain_lines_and_picture(mailbox: Mailbox) -> None:
    address = TellAddress(TellTarget("mail"), mailbox.url)
    picture = Picture("curve.svg", "image/svg+xml", b"<svg xmlns='http://www.w3.org/2000/svg'/>")

    outcome = AppriseDeliverer().deliver(
        address, Parcel("Too warm: Elder Red in bucket-1", BODY, "warning", (picture,))
    )

    assert outcome.delivered
    (mail,) = mailbox.mails
    assert mail["Subject"] == "Too warm: Elder Red in bucket-1"
    assert mail["To"] == "winemaker@example.org"
    text = mail.get_body(("plain",))
    assert text is not None
    assert text.get_content().strip().splitlines() == BODY.splitlines()
    (attached,) = mail.iter_attachments()
    assert attached.get_filename() == "curve.svg"
    assert attached.get_content_type() == "image/svg+xml"


def test_a_subject_of_any_script_arrives_as_it_was_written(mailbox: Mailbox) -> None:
    title = "Zu warm: Holunder „rot“ in Kübel-1 🍷"

    outcome = AppriseDeliverer().deliver(
        TellAddress(TellTarget("mail"), mailbox.url), Parcel(title, "ärgerlich")
    )

    assert outcome.delivered
    assert mailbox.mails[0]["Subject"] == title


def test_a_mail_that_is_refused_is_not_delivered_and_the_reason_names_no_recipient(mailbox: Mailbox) -> None:
    mailbox.refusing = True

    outcome = AppriseDeliverer().deliver(TellAddress(TellTarget("mail"), mailbox.url), Parcel("any", "thing"))

    assert not outcome.delivered
    assert outcome.error == "mailto://127.0.0.1: the mail server answered 451"
    assert mailbox.mails == []


def test_a_line_break_in_a_title_cannot_add_a_header(mailbox: Mailbox) -> None:
    address = TellAddress(TellTarget("mail"), mailbox.url)

    AppriseDeliverer().deliver(address, Parcel("Too warm\nBcc: other@example.org", "body"))

    for mail in mailbox.mails:
        assert mail["Bcc"] is None
