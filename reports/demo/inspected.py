"""The demo's inspection: the food office comes, copies a paper, takes a sample, finds something, and is answered."""

from datetime import timedelta

from reports.demo.channels import WithChannels
from reports.demo.house import PASSWORD

CAME = 449  # minutes into the day, after the rest of it


class WithInspection(WithChannels):
    """The day with what left it, and a visit of the authority at its end."""

    visit: str
    """Where the visit is written down."""

    def play(self) -> str:
        batch = super().play()
        visit = self.visit = self.let_them_look()
        self.let_them_sample(visit)
        self.answer_their_finding(visit)
        self.see_them_off(visit)
        return batch

    def let_them_look(self) -> str:
        came = self.house.operator.post(
            "inspections",
            performed_at=self.at(CAME),
            by_whom="authority",
            body="Seeborn food office",
            why="complaint",
            about="Whether the pillows that do not declare milk are off the shelves.",
            methods="Records read, the packing room walked through.",
            visitors=[{"name": "L. Vantongeren", "function": "food inspector"}],
            accompanied_by=[self.house.lead.person],
        )
        return f"inspections/{came['id']}"

    def let_them_sample(self, visit: str) -> None:
        sample = self.house.operator.post(
            f"{visit}/samples",
            performed_at=self.at(CAME + 6),
            lot=self.lots["NUT"]["lot"],
            quantity="0.250",
            unit="KGM",
            analysis="Salmonella, at the laboratory at Oberfeld",
            mark="Seal 4711",
            counter="stays",
            counter_sample="Seal 4712, in the safe of the office",
            receipt="R 9",
        )
        code = self.lots["NUT"]["lot_code"]
        self.tell(
            f"The food office came. It took {sample['quantity']} kg of the hazelnuts {code} as a sample, which left the stock; "
            "a sealed counter-sample stays. Its result is awaited.",
            "inspection-samples?awaiting=true",
        )

    def answer_their_finding(self, visit: str) -> None:
        due = self._clock(CAME).date() + timedelta(days=14)
        finding = self.house.operator.post(
            f"{visit}/findings",
            performed_at=self.at(CAME + 8),
            number="1",
            text="The lamp above the packing table has no cover.",
            grade="slight",
            due_on=due.isoformat(),
        )
        where = f"{visit}/findings/{finding['id']}"
        done = "A cover was put on, and the list of what is looked at each week names it."
        self.house.operator.post(f"{where}/answers", performed_at=self.at(CAME + 18), text=done)
        closed = self.house.lead.post(
            f"{where}/closing",
            performed_at=self.at(CAME + 24),
            by="them",
            reference="Looked at again before they left",
            password=PASSWORD,
        )
        self.tell(
            f"It found a lamp without a cover, to be answered by {due}. That was done at once, and closed by signature: "
            f"{closed['reference'].lower()}.",
            visit,
        )

    def hand_over(self, document: int) -> None:
        """Sent after them: a document made here bears the service's own time, which lies after the visit."""
        self.house.operator.post(
            f"{self.visit}/notes",
            performed_at=self.now(),
            what="copied",
            text="Sent to them as they asked: what came, is on hand, was shipped and came back of the pillows.",
            document=document,
        )

    def see_them_off(self, visit: str) -> None:
        end = {
            "outcome": "One finding, put right. The result will come by letter.",
            "reference": "Protocol 12",
        }
        self.house.operator.post(f"{visit}/end", performed_at=self.at(CAME + 28), **end)
