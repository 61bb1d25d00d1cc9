"""Two condensed records side by side: what became worse, what better, and what cannot be compared and why."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from verify.judging.verdict import grouped
from verify.reports.terminal import wrapped

WORSE, BETTER, CHANGED, GONE, NEW, APART = "worse", "better", "changed", "gone", "new", "apart"
KINDS = (WORSE, GONE, CHANGED, BETTER, NEW, APART)
NOTABLE = 0.01
# Inputs of a large sample are the same but for those near the worst: luck among these few makes no error so much larger.
LARGE_SAMPLE, MUCH = 1 << 20, 1.5


@dataclass(frozen=True)
class Allowed:
    """By how much, in percent, a number may grow before it counts as a regression."""

    error_percent: float = 1.0
    cost_percent: float = 2.0


@dataclass(frozen=True)
class Row:
    """One difference. claim and build are "" where the row is about more than one claim."""

    kind: str
    routine: str
    claim: str
    build: str
    text: str
    counts: bool = False


@dataclass
class Comparison:
    """All differences, and how many claims are the same."""

    rows: list[Row] = field(default_factory=list)
    same: int = 0
    # (routine, claim, build, verdict) of what did not hold before and does not now: nothing to compare, all to mend.
    still: list[tuple[str, str, str, str]] = field(default_factory=list)

    @property
    def regressed(self) -> bool:
        """Whether anything is worse beyond what is allowed."""
        return any(row.counts for row in self.rows)

    def add(self, kind: str, routine: str, claim: str, build: str, text: str, counts: bool = False) -> None:
        """Note one difference."""
        self.rows.append(Row(kind, routine, claim, build, text, counts))


def compared(before: dict[str, Any], now: dict[str, Any], allowed: Allowed, only: list[str] | None = None) -> Comparison:
    """Compare what was accepted with what is now. only: routines that were checked at all, when not all were."""
    found = Comparison()
    foreign = foreign_builds(found, before, now)
    for name, old in before["routines"].items():
        if only and name not in only:
            continue
        new = now["routines"].get(name)
        if new is None:
            held = any(c["verdict"] == "holds" for claims in old["claims"].values() for c in claims.values())
            found.add(GONE, name, "", "", "the routine is not checked any more", held)
            continue
        if old["prototype"] and new["prototype"] and old["prototype"] != new["prototype"]:
            found.add(CHANGED, name, "", "", f"prototype: {old['prototype']} before, {new['prototype']} now")
        for build in dict.fromkeys([*old["claims"], *new["claims"]]):
            compare_claims(found, name, build, old, new, before["plan"] != now["plan"], build in foreign, allowed)
        compare_measures(found, name, old["measures"], new["measures"], foreign, allowed)
    for name in now["routines"]:
        if name not in before["routines"]:
            found.add(NEW, name, "", "", "the routine was not checked before")
    return found


def foreign_builds(found: Comparison, before: dict[str, Any], now: dict[str, Any]) -> set[str]:
    """Builds made by another compiler or for another library: their numbers cannot be compared."""
    foreign = set()
    for name, old in before["builds"].items():
        new = now["builds"].get(name)
        if new is None:
            continue
        words = {"compiler": "compiler", "target": "target", "c_library": "C library"}
        other = [f"other {word}: {old[key]} before, {new[key]} now" for key, word in words.items() if old[key] != new[key]]
        if other:
            foreign.add(name)
            found.add(APART, "", "", name, "; ".join(other) + "; verdicts are compared, errors and costs are not")
        if old["flags"] != new["flags"]:
            lost = [flag for flag in old["flags"] if flag not in new["flags"]]
            come = [flag for flag in new["flags"] if flag not in old["flags"]]
            text = " ".join([*(f"without {flag}" for flag in lost), *(f"with {flag}" for flag in come)]) or "other order"
            found.add(CHANGED, "", "", name, f"flags: {text}")
    return foreign


def compare_claims(found: Comparison, routine: str, build: str, old: dict[str, Any], new: dict[str, Any], other_plan: bool,
                   foreign: bool, allowed: Allowed) -> None:
    """All claims of a routine in one build. A claim whose limit was changed is matched by its name."""
    olds, news = dict(old["claims"].get(build, {})), dict(new["claims"].get(build, {}))
    other_range = old["points"] != new["points"] and None not in (old["points"], new["points"])
    for label in [label for label in olds if label in news]:
        claim = (routine, label, build)
        compare_one(found, claim, olds.pop(label), news.pop(label), other_plan, other_range, (old, new), foreign, allowed)
    for label in list(olds):
        same_name = [other for other in news if news[other]["claim"] == olds[label]["claim"]]
        if len(same_name) == 1 and sum(o["claim"] == olds[label]["claim"] for o in olds.values()) == 1:
            before, now = olds.pop(label), news.pop(same_name[0])
            found.add(APART, routine, same_name[0], build,
                      f"other limit: {before['limit']} ({before['verdict']}) before, {now['limit']} ({now['verdict']}) now")
            if not (foreign or other_plan or other_range):
                compare_worst(found, (routine, same_name[0], build), before, now, allowed)
        else:
            gone = olds.pop(label)
            found.add(GONE, routine, label, build, f"claimed no more; it was: {gone['verdict']}", gone["verdict"] == "holds")
    for label, claim in news.items():
        found.add(NEW, routine, label, build, f"claimed newly: {claim['verdict']}")


def strength_text(claim: dict[str, Any]) -> str:
    """every value, or how many were tried."""
    return "every value" if claim["strength"] == "every value" else f"{grouped(claim['count'])} tried"


def verdict_text(claim: dict[str, Any]) -> str:
    """The verdict with its strength."""
    return f"{claim['verdict']} ({strength_text(claim)})" if claim["verdict"] == "holds" else str(claim["verdict"])


def compare_one(found: Comparison, claim: tuple[str, str, str], before: dict[str, Any], now: dict[str, Any],
                other_plan: bool, other_range: bool, points: tuple[dict[str, Any], dict[str, Any]], foreign: bool,
                allowed: Allowed) -> None:
    """One claim, once accepted and now."""
    rows = len(found.rows)
    if before["verdict"] == now["verdict"] != "holds":
        found.still.append((*claim, now["verdict"]))
    step = f"{verdict_text(before)} before, {verdict_text(now)} now"
    weaker = before["strength"] == "every value" != now["strength"]
    if before["verdict"] != now["verdict"]:
        if other_range and now["verdict"] != "fails":
            found.add(APART, *claim, step + "; another range")
        elif now["verdict"] == "holds":
            kind, why = (APART, "; but with another strength") if weaker else (BETTER, "")
            found.add(kind, *claim, step + why)
        else:
            worse = before["verdict"] == "holds" or now["verdict"] == "fails"
            found.add(WORSE if worse else CHANGED, *claim, step, worse)
    elif before["verdict"] == "holds" and weaker and not other_range:
        if other_plan:
            found.add(APART, *claim, f"other strength: {strength_text(before)} before, {strength_text(now)} now, "
                                     "with another budget")
        else:
            found.add(WORSE, *claim, step, True)
    if other_range:
        found.add(APART, *claim, f"other range: {grouped(points[0]['points'])} points before, "
                                 f"{grouped(points[1]['points'])} now; the worst errors are not compared")
    elif not foreign and not (other_plan and (before["strength"], before["count"]) != (now["strength"], now["count"])):
        compare_worst(found, claim, before, now, allowed)
    found.same += len(found.rows) == rows


def one_sample(before: int, now: int) -> bool:
    """Whether so many inputs were one and the same large sample, but for those near the worst, which lies elsewhere now."""
    return min(before, now) >= LARGE_SAMPLE and abs(before - now) <= min(before, now) / 100


def compare_worst(found: Comparison, claim: tuple[str, str, str], before: dict[str, Any], now: dict[str, Any],
                  allowed: Allowed) -> None:
    """The worst errors; other extremes are shown and never count."""
    old, new = before.get("worst"), now.get("worst")
    if not old or not new or old["unit"] != new["unit"] or old["value"] == new["value"]:
        return
    sizes = (abs(old["value"]), abs(new["value"])) if old["is_error"] else (old["value"], new["value"])
    growth = f"worst {shown(sizes[0])} before, {shown(sizes[1])} {old['unit']} now".replace("  ", " ")
    percent = allowed.cost_percent if before["claim"] == "cost_within" else allowed.error_percent
    if before["strength"] == now["strength"] == "tried" and before["count"] != now["count"]:
        # How many are tried may hang on the clock: a worst that is found or missed so says nothing about the C.
        if old["is_error"] and sizes[1] > sizes[0] * (1 + percent / 100):
            much = one_sample(before["count"], now["count"]) and sizes[1] > sizes[0] * max(MUCH, 1 + percent / 100)
            found.add(WORSE if much else APART, *claim,
                      f"{growth}, of other inputs ({strength_text(before)} before, {strength_text(now)} now)", much)
    elif not old["is_error"]:
        if abs(sizes[1] - sizes[0]) > NOTABLE * max(abs(sizes[0]), abs(sizes[1])):
            found.add(CHANGED, *claim, growth)
    elif sizes[1] > sizes[0] * (1 + percent / 100):
        found.add(WORSE, *claim, growth, True)
    elif sizes[1] > sizes[0]:
        found.add(CHANGED, *claim, f"{growth}, within the {percent:g} % allowed")
    elif sizes[1] < sizes[0]:
        found.add(BETTER, *claim, growth)


def compare_measures(found: Comparison, routine: str, old: dict[str, float], new: dict[str, float], foreign: set[str],
                     allowed: Allowed) -> None:
    """Cost, stack and size, where both records have them."""
    for name in old:
        if name not in new or old[name] == new[name] or any(part in foreign for part in name.split(".")):
            continue
        text = f"{name}: {shown(old[name])} before, {shown(new[name])} now"
        if new[name] > old[name] * (1 + allowed.cost_percent / 100):
            found.add(WORSE, routine, "", "", text, True)
        elif new[name] > old[name]:
            found.add(CHANGED, routine, "", "", f"{text}, within the {allowed.cost_percent:g} % allowed")
        else:
            found.add(BETTER, routine, "", "", text)
    gone = sorted(set(old) - set(new))
    if gone:
        found.add(APART, routine, "", "", f"not measured now: {', '.join(gone)}")


def shown(number: float) -> str:
    """A number in print: enough digits to tell neighbours apart."""
    return f"{number:.6g}"


def render(found: Comparison, title: str, width: int) -> list[str]:
    """The differences as lines; rows that say the same of several builds become one."""
    lines = [title]
    joined: dict[tuple[str, str, str, str], list[str]] = {}
    for row in sorted(found.rows, key=lambda row: KINDS.index(row.kind)):
        joined.setdefault((row.kind, row.routine, row.claim, row.text), []).append(row.build)
    for (kind, routine, claim, text), builds in joined.items():
        place = "  ".join(filter(None, [routine, claim])) or "all routines"
        builds = [build for build in builds if build]
        where = f"{place}, {' and '.join(builds)}" if builds else place
        lines += wrapped(kind.upper() if kind in (WORSE, GONE) else kind, f"{where}: {text}", width)
    lines.append(f"  {found.same} claims the same" + ("" if found.rows else ", nothing else"))
    return lines + still_lines(found, width)


def still_lines(found: Comparison, width: int) -> list[str]:
    """A reminder of what does not hold in either: the same is not yet right."""
    lines = []
    for verdict in dict.fromkeys(row[3] for row in found.still):
        names = dict.fromkeys(f"{routine} {label}" for routine, label, _, word in found.still if word == verdict)
        words = {"fails": "fails in both", "blocked": "could be run in neither"}.get(verdict, f"{verdict} in both")
        lines += wrapped("still", f"{words}: {', '.join(names)}", width)
    return lines
