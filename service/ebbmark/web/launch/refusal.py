"""The page of a launch or session that does not go on: what happened, and what to do.

Nothing on these pages comes from a record, and nothing but an address that was named in the request from outside.
"""

from __future__ import annotations

from enum import Enum

from ebbmark.web.theme import PageRefused

_AGAIN = "Open Ebbmark again from the patient's record."
_OPERATOR = "If it stays so, whoever operates this service can put that right."


class LaunchFault(Enum):
    """Why, as HTTP status, title, what happened, and what to do."""

    NO_ISS = (
        400,
        "Which record?",
        "The link that led here does not say from which record it comes: the parameter iss, a FHIR base address, is "
        "missing or there more than once.",
        "Open Ebbmark from the patient's record, or choose a record below.",
    )
    NO_LAUNCH = (
        400,
        "The record did not say which launch this is",
        "The link that led here carries iss without launch, or more than one of them.",
        "Open Ebbmark from the patient's record. Outside a record, start at /launch/standalone.",
    )
    NOT_LISTED = (
        403,
        "This record is not one that Ebbmark works with",
        "Only records that the operator of this service has listed are ever called. Nothing was sent to the address "
        "that was named.",
        "If the record should be listed, tell whoever operates this service: the setting is EBBMARK_SMART_CLIENTS.",
    )
    NO_SERVER = (
        502,
        "The record does not say where to sign in",
        "Its smart-configuration was asked for, and could not be used:",
        f"Try again in a few minutes. {_OPERATOR}",
    )
    NO_STATE = (
        400,
        "This is not a reply to a launch",
        "Replies of a record's sign-in come here with state, once; it is missing, or there more than once.",
        _AGAIN,
    )
    NOT_BEGUN_HERE = (
        400,
        "This launch did not begin in this browser",
        "A reply of a record's sign-in arrived that this browser did not ask for, or asked for more than an hour ago, "
        "or under another address of this service; or the browser keeps no cookies here.",
        _AGAIN,
    )
    STATE_MISMATCH = (
        400,
        "This reply belongs to another launch",
        "Its state is not the one that this browser was given. That happens with an old link, and when somebody tries "
        "to slip in a foreign reply. Nothing was read.",
        _AGAIN,
    )
    OTHER_ISSUER = (
        400,
        "This reply comes from another sign-in",
        "It names an issuer that is not the one of the record in which the launch began, or came to the address of "
        "another record. Nothing was read.",
        _AGAIN,
    )
    LAUNCH_EXPIRED = (
        400,
        "This launch took too long",
        "Between the start and the reply of the record's sign-in lie more than ten minutes.",
        _AGAIN,
    )
    USED = (
        400,
        "This launch was used already",
        "Each reply of a record's sign-in counts once. Going back, or loading its address again, does not repeat it.",
        "If Ebbmark is open already, go on there. Else open it again from the patient's record.",
    )
    DENIED = (
        403,
        "Access was not given",
        "At the record's sign-in, access was refused: by the person who was asked, or by the record's own rules. "
        "Nothing was read and nothing was written.",
        "If that was not intended, open Ebbmark again from the patient's record and agree.",
    )
    SERVER_REFUSED = (
        502,
        "The record's sign-in refused the launch",
        "It answered with an error instead of a code:",
        f"{_AGAIN} {_OPERATOR}",
    )
    NO_CODE = (
        400,
        "The record's sign-in sent no code",
        "Its reply carries neither a code nor an error.",
        _AGAIN,
    )
    CODE_REFUSED = (
        502,
        "The record's sign-in did not complete",
        "The code that it gave was handed back for an access token, and none was given:",
        f"{_AGAIN} {_OPERATOR}",
    )
    IDENTITY = (
        502,
        "Who you are could not be confirmed",
        "The record sent a statement of who is signed in (an id_token) that does not hold:",
        f"{_AGAIN} {_OPERATOR}",
    )
    NO_PATIENT = (
        400,
        "No patient was chosen",
        "The record gave access but named no patient. Ebbmark shows one patient's trial and never guesses whose.",
        "Open the patient in the record first, then open Ebbmark from there.",
    )
    OTHER_PATIENT = (
        409,
        "This is not the patient with whom this page began",
        "The record now names another patient than the one this page was opened for. The page has ended, so that two "
        "patients are never mixed; nothing was written.",
        _AGAIN,
    )
    NOT_GRANTED = (
        403,
        "The record did not grant what the page needs",
        "To show a trial it must read the patient and the measurements. Not granted:",
        "Ask for these scopes to be allowed for Ebbmark in the record. What still works without them: the same "
        "calculation on data that is sent to this service, and its demonstration where that is switched on.",
    )
    TOO_LONG = (
        502,
        "The record's access token is too long",
        "It does not fit into the cookies that a browser keeps, and Ebbmark stores nothing anywhere else.",
        "A shorter token is needed; whoever operates the record can give one.",
    )
    NO_SESSION = (
        401,
        "This page is not open, or no longer",
        "This browser holds no session for it: you may have left, or closed the browser since.",
        _AGAIN,
    )
    BROKEN_SESSION = (
        401,
        "This session cannot be used",
        "What the browser sent was not made by this service for this page, or was changed since.",
        _AGAIN,
    )
    SESSION_EXPIRED = (
        401,
        "This session has ended",
        "Access to the record was given for a limited time, which is over. Nothing is lost: what was recorded is in "
        "the record, and the trial can be read again.",
        _AGAIN,
    )
    ACCESS_ENDED = (
        401,
        "Access to the record has ended",
        "The record no longer accepts the access that it gave this page. Nothing is lost: what was recorded is in the "
        "record, and the trial can be read again.",
        _AGAIN,
    )
    REFRESH_REFUSED = (
        401,
        "This session has ended",
        "The record does not renew the access that it gave. Nothing is lost: what was recorded is in the record, and "
        "the trial can be read again.",
        _AGAIN,
    )
    REFRESH_FAILED = (
        503,
        "The record's sign-in cannot be reached",
        "Access to the record has to be renewed, and its sign-in does not answer just now.",
        "Load this page again in a minute.",
    )
    NOT_FROM_THE_PAGE = (
        403,
        "This was not sent from the page",
        "A click on the page carries a mark that was missing or wrong here. Nothing was done.",
        "Open the page again and repeat what you wanted to do there.",
    )

    def __init__(self, status: int, title: str, happened: str, todo: str) -> None:
        self.status = status
        self.title = title
        self.happened = happened
        self.todo = todo


def refused(why: LaunchFault, found: str = "") -> PageRefused:
    """The page for one of the reasons.

    Args:
        found: what was found, in our own words or plain ASCII of the request; it follows the sentence.
    """
    sentence = f"{why.happened} {found}" if found else why.happened
    return PageRefused(why.status, why.title, sentence, todo=(why.todo,))
