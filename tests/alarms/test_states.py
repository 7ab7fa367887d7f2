"""The life of an alarm against ISA-18.2 / IEC 62682.

States A to D and the transitions between them were seen in a transcription of the standard (second hand, see
the letters below); shelved, suppressed by design and out of service are states of the standard too, what
leads out of them is from memory.
"""

from __future__ import annotations

from itertools import product

import pytest

from hissmark.alarms.journal import AlarmEvent, AlarmState
from hissmark.alarms.states import Trigger, transition

NORMAL, UNACK, ACK, RTN = "normal", "unacknowledged", "acknowledged", "rtn-unacknowledged"
SHELVED, SUPPRESSED, OUT = "shelved", "suppressed-by-design", "out-of-service"

#: (state, trigger, condition stands) -> (next state, event), from the standard's diagram, not from the code.
DIAGRAM = {
    (NORMAL, "condition on", True): (UNACK, "raised"),  # A -> B
    (UNACK, "acknowledge", True): (ACK, "acknowledged"),  # B -> C
    (ACK, "condition off", False): (NORMAL, "cleared"),  # C -> A
    (UNACK, "condition off", False): (RTN, "cleared"),  # B -> D
    (RTN, "condition on", True): (UNACK, "raised"),  # D -> B
    (RTN, "acknowledge", False): (NORMAL, "acknowledged"),  # D -> A
    (SHELVED, "unshelve", True): (UNACK, "unshelved"),
    (SHELVED, "unshelve", False): (NORMAL, "unshelved"),
    (SHELVED, "shelf expires", True): (UNACK, "shelf-expired"),
    (SHELVED, "shelf expires", False): (NORMAL, "shelf-expired"),
    (SUPPRESSED, "unsuppress", True): (UNACK, "unsuppressed"),
    (SUPPRESSED, "unsuppress", False): (NORMAL, "unsuppressed"),
    (OUT, "return to service", True): (UNACK, "returned-to-service"),
    (OUT, "return to service", False): (NORMAL, "returned-to-service"),
    (SHELVED, "take out of service", True): (OUT, "out-of-service"),
    (SHELVED, "take out of service", False): (OUT, "out-of-service"),
}
for _state, _active in ((NORMAL, False), (UNACK, True), (ACK, True), (RTN, False)):
    DIAGRAM[_state, "shelve", _active] = (SHELVED, "shelved")
    DIAGRAM[_state, "suppress", _active] = (SUPPRESSED, "suppressed")
    DIAGRAM[_state, "take out of service", _active] = (OUT, "out-of-service")

#: Whether the condition can stand in a state (after the trigger has taken effect on it).
STANDS = {NORMAL: [False], UNACK: [True], ACK: [True], RTN: [False]}


def reachable() -> list[tuple[AlarmState, Trigger, bool]]:
    """Every (state, trigger, condition) that can come up; the condition's own triggers change it first."""
    found = []
    for state, trigger in product(AlarmState, Trigger):
        before = STANDS.get(state.value, [False, True])
        if trigger is Trigger.CONDITION_ON:
            after = [True] if False in before else []
        elif trigger is Trigger.CONDITION_OFF:
            after = [False] if True in before else []
        else:
            after = before
        found += [(state, trigger, active) for active in after]
    return found


@pytest.mark.parametrize(("state", "trigger", "active"), reachable())
def test_every_state_and_trigger(state: AlarmState, trigger: Trigger, active: bool) -> None:
    """Those of the diagram lead where it says; all others are refused."""
    wanted = DIAGRAM.get((state.value, trigger.value, active))
    assert transition(state, trigger, active) == (wanted and (AlarmState(wanted[0]), AlarmEvent(wanted[1])))


def test_the_diagram_is_covered_and_most_pairs_are_forbidden() -> None:
    asked = {(s.value, t.value, a) for s, t, a in reachable()}
    assert set(DIAGRAM) <= asked
    assert len(asked) > 2 * len(DIAGRAM)


@pytest.mark.parametrize("state", [SHELVED, SUPPRESSED, OUT])
@pytest.mark.parametrize("trigger", ["condition on", "condition off", "acknowledge"])
@pytest.mark.parametrize("active", [False, True])
def test_a_hidden_alarm_says_nothing(state: str, trigger: str, active: bool) -> None:
    assert transition(AlarmState(state), Trigger(trigger), active) is None


def test_every_event_name_of_the_contract_can_happen_and_none_else() -> None:
    assert {event for _, event in DIAGRAM.values()} == {e.value for e in AlarmEvent}
