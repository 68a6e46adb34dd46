"""The demo's inspection: the food office comes, copies a paper, takes a sample, finds something, and is answered."""

from datetime import timedelta

from reports.demo.house import PASSWORD
from reports.demo.recalled import WithRecalls

CAME = 449  # minutes into the day, after the rest of it


class WithInspection(WithRecalls):
    """The day with recalls, and a visit of the authority at its end."""

    def play(self) -> str:
        batch = super().play()
        visit = self.let_them_look()
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
            about="Whether the recall of the pillows is under way.",
            methods="Records read, the packing room walked through.",
            visitors=[{"name": "L. Vantongeren", "function": "food inspector"}],
            accompanied_by=[self.house.lead.person],
        )
        visit = f"inspections/{came['id']}"
        self.house.operator.post(
            f"{visit}/notes",
            performed_at=self.at(CAME + 3),
            what="copied",
            text="What is on hand, shipped and returned of the lots in question.",
        )
        return visit

    def let_them_sample(self, visit: str) -> None:
        sample = self.house.operator.post(
            f"{visit}/samples",
            performed_at=self.at(CAME + 6),
            lot=self.lots["NUT"]["lot"],
            quantity="0.250",
            unit="KGM",
            analysis="Salmonella",
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

    def see_them_off(self, visit: str) -> None:
        end = {
            "outcome": "One finding, put right. The result will come by letter.",
            "reference": "Protocol 12",
        }
        self.house.operator.post(f"{visit}/end", performed_at=self.at(CAME + 28), **end)
