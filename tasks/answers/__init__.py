"""From verdicts to sentences: what may be written about a device, with its evidence.

`read_answer_facts` reads the published tables, `answer_all` makes the answers of the devices under
test. A sentence may be written as it is (a difference or a likeness that is shown, a level with an
interval), written with its count (it is true of these workouts), or left open.
"""

from tasks.answers.device import Answer, DomainAnswer, answer_all, answer_device, read_answer_facts
from tasks.answers.facts import Facts
from tasks.answers.sentence import Sentence

__all__ = [
    "Answer",
    "DomainAnswer",
    "Facts",
    "Sentence",
    "answer_all",
    "answer_device",
    "read_answer_facts",
]
