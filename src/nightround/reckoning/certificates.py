"""Until when a person's certificates hold, and what is owed about them. A printed date is never moved back.

Of several certificates of one name the newest counts. A certificate that no rule knows and that has no printed date
is `not recorded`: it counts for nothing. A refresher is recommended: it is never overdue and nobody lapses for it.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from functools import lru_cache
from hashlib import blake2b

from .beginnings import Start
from .dates import last_good_day
from .facts import Certificate, Place
from .owed import Because, Duty, Standing, by_date, standing_of
from .rules import Force, Rule, Subject, binding

CERTIFICATE, REFRESHER = str(Subject.CERTIFICATE), str(Subject.REFRESHER)
ROLE = "coordinator"
WINDOW_DAYS = 30  # a certificate opens this long before its last good day, unless a rule says otherwise
EVERY = "*"
_REFRESHER = "refresher"  # a row of this word records that one was done, and is no certificate of its own


def rules_of(rules: Iterable[Rule], places: Iterable[Place], day: date) -> tuple[Rule, ...]:
    """The rules about certificates that bind at any of the places on the day; where there is none, those of anywhere.

    Somebody who serves in several places is asked for what each of them asks.
    """
    about = [rule for rule in rules if rule.subject in (Subject.CERTIFICATE, Subject.REFRESHER)]
    found: dict[str, Rule] = {}
    for place in list(places) or [Place("", "", "", "")]:
        found.update((rule.id, rule) for rule in binding(about, place, day))
    return tuple(found[rule_id] for rule_id in sorted(found))


@lru_cache(maxsize=20_000)
def plain(name: str) -> str:
    """A name as it is compared: case, widths and signs ignored, words with single blanks between."""
    text = unicodedata.normalize("NFKC", name).casefold()
    return " ".join("".join(char if char.isalnum() else " " for char in text).split())


def knows(rule: Rule, name: str) -> bool:
    """Whether the rule is about certificates of that name: one of its names stands in it, word for word.

    In scripts that write no blanks between words it stands anywhere in it.
    """
    held = plain(name)
    for known in rule.certificates:
        word = plain(known)
        if known == EVERY or (word and (f" {word} " in f" {held} " or (not word.isascii() and word in held))):
            return True
    return False


def held_on(day: date, certificates: Iterable[Certificate]) -> tuple[Certificate, ...]:
    """The certificates that count on the day, one a name, by name: the newest issued by then.

    One without a day of issue counts where no other of its name does, or where its printed date is later than the
    printed date of the newest.
    """
    newest: dict[str, Certificate] = {}
    for one in certificates:
        if (one.issued_on is not None and one.issued_on > day) or _is_refresher(one):
            continue
        name = plain(one.name)
        other = newest.get(name)
        if other is None or _newer(one, other):
            newest[name] = one
    return tuple(newest[name] for name in sorted(newest))


def in_date_until(day: date, certificates: Iterable[Certificate], rules: Sequence[Rule]) -> date | None:
    """The last day on which a certificate of theirs is in date, of those that count on the day; None: no date at all.

    One that holds for its parts differently long is in date while all of them are.
    """
    best: date | None = None
    held = held_on(day, certificates)
    for one in held:
        goods = [because[0].last_good_day for _, because in _parts(one, held, rules)]
        if goods and None not in goods:
            good = min(good for good in goods if good is not None)
            best = good if best is None else max(best, good)
    return best


def certificate_duties(
    day: date, person: str, called: str, certificates: Sequence[Certificate], rules: Sequence[Rule]
) -> tuple[Duty, ...]:
    """What is owed about one person's certificates; `rules` are those of `rules_of`.

    `person` is the code, which makes the duties' keys theirs alone; `called` is how people call them.
    """
    found: list[Duty] = []
    held = held_on(day, certificates)
    for one in held:
        mark = blake2b(f"{person}\n{plain(one.name)}".encode(), digest_size=8).hexdigest()
        found += [_duty(day, called, one, mark, part, because, rules) for part, because in _parts(one, held, rules)]
        refresher = _refresher_duty(day, called, one, mark, certificates, rules)
        if refresher is not None:
            found.append(refresher)
    return tuple(found)


def _newer(one: Certificate, other: Certificate) -> bool:
    if one.issued_on is not None and other.issued_on is not None:
        return (one.issued_on, one.printed or date.min) > (other.issued_on, other.printed or date.min)
    if one.printed is not None and other.printed is not None:
        return one.printed > other.printed
    if one.issued_on is None and other.issued_on is None:
        return one.printed is not None
    return one.issued_on is not None


def _is_refresher(one: Certificate) -> bool:
    return _REFRESHER in plain(one.name).split()


def _parts(
    one: Certificate, held: Sequence[Certificate], rules: Sequence[Rule]
) -> list[tuple[str, tuple[Because, ...]]]:
    """For the certificate ("") and each part of it that holds differently long, what bounds it, the earliest first.

    Where rules know of parts only, the certificate is nothing but those. A part that was trained anew by itself, so
    that a newer certificate of it is held, counts from there.
    """
    by_part: dict[str, list[Rule]] = {}
    for rule in rules:
        if rule.subject is Subject.CERTIFICATE and knows(rule, one.name):
            by_part.setdefault(rule.part, []).append(rule)
    if not by_part or one.printed is not None:
        by_part.setdefault("", [])
    return [(part, _bounds(one, held if part else (), by_part[part])) for part in sorted(by_part)]


def _bounds(one: Certificate, others: Sequence[Certificate], rules: Sequence[Rule]) -> tuple[Because, ...]:
    found: list[Because] = []
    silent: list[Because] = []
    if one.printed is not None:
        found.append(_printed(one.printed, f"printed on it: valid to {one.printed}"))
    for rule in rules:
        if one.issued_on is None:
            silent.append(Because.of(rule, None, "no day of issue recorded"))
        else:
            good, said = _good_by(rule, one.issued_on, f"issued {one.issued_on}")
            for other in others:
                if other.issued_on is not None and other.issued_on > one.issued_on and knows(rule, other.name):
                    again, why = _good_by(rule, other.issued_on, f"{other.name} issued {other.issued_on}")
                    if other.printed is not None and other.printed < again:
                        again, why = other.printed, f"{why}, valid to {other.printed}"
                    if again > good:
                        good, said = again, why
            found.append(Because.of(rule, good, said))
    if not found and not silent:
        silent.append(_printed(None, "no date recorded, and no rule knows a certificate of this name"))
    return by_date(found, silent)


def _good_by(rule: Rule, issued_on: date, said: str) -> tuple[date, str]:
    """Until when that rule takes a certificate for good: nobody lapses by it before its own first day."""
    begun = Start(None, rule.effective_from, "the rule began")
    good = last_good_day(rule.shape, issued_on)
    return begun.floor(good), begun.said(said, good)


def _printed(good: date | None, said: str) -> Because:
    title = "A certificate is good to its printed date"
    return Because("printed", title, Force.COMMON_PRACTICE, "the certificate", None, good, said)


def _duty(
    day: date,
    called: str,
    one: Certificate,
    mark: str,
    part: str,
    because: tuple[Because, ...],
    rules: Sequence[Rule],
) -> Duty:
    key = f"{CERTIFICATE}/{mark}" + (f"-{plain(part).replace(' ', '-')}" if part else "")
    subject = f"certificate of {called}: {one.name}" + (f", {part}" if part else "")
    period = f"issued {one.issued_on}" if one.issued_on is not None else f"printed {one.printed}"
    good = because[0].last_good_day
    if good is None:
        nothing = Standing.NOT_RECORDED
        return Duty(key, CERTIFICATE, subject, nothing, None, None, None, None, ROLE, period, because)
    asking = {said.rule for said in because}
    opens = _opens(one.issued_on, good, [rule for rule in rules if rule.id in asking])
    standing = standing_of(day, opens, good)
    return Duty(key, CERTIFICATE, subject, standing, opens, None, good, None, ROLE, period, because)


def _opens(issued_on: date | None, good: date, rules: Iterable[Rule]) -> date:
    window = max((rule.opens_days for rule in rules if rule.opens_days is not None), default=WINDOW_DAYS)
    opens = good - timedelta(days=window)
    return opens if issued_on is None or issued_on > good else max(opens, issued_on)


def _refresher_duty(
    day: date, called: str, one: Certificate, mark: str, certificates: Sequence[Certificate], rules: Sequence[Rule]
) -> Duty | None:
    """The refresher recommended in between; done by a newer certificate or a row of the word refresher beside it."""
    asking = [rule for rule in rules if rule.subject is Subject.REFRESHER and knows(rule, one.name)]
    if not asking:
        return None
    found: list[Because] = []
    silent: list[Because] = []
    last: date | None = None
    for rule in asking:
        done = one.issued_on
        for other in certificates:
            if other.issued_on is None or other.issued_on > day or not _is_refresher(other):
                continue
            if knows(rule, other.name) and (done is None or other.issued_on > done):
                done = other.issued_on
        if done is None:
            silent.append(Because.of(rule, None, "neither a day of issue nor a refresher recorded"))
        else:
            last = done if last is None else max(last, done)
            found.append(Because.of(rule, last_good_day(rule.shape, done), f"last trained {done}"))
    because = by_date(found, silent)
    key, subject = f"{REFRESHER}/{mark}", f"refresher for {called}: {one.name} (recommended)"
    good = because[0].last_good_day
    if good is None or last is None:
        nothing = Standing.NOT_RECORDED
        return Duty(key, REFRESHER, subject, nothing, None, None, None, None, ROLE, "none", because)
    opens = _opens(last, good, asking)
    standing = Standing.OPEN if day >= opens else Standing.AHEAD
    return Duty(key, REFRESHER, subject, standing, opens, None, good, None, ROLE, f"trained {last}", because)
