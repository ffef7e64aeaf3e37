"""What a load did, file by file, and every row it refused."""

from dataclasses import dataclass, field

ALL_OR_NOTHING = "all-or-nothing"
GOOD_ROWS_IN = "good-rows-in"
MODES = (ALL_OR_NOTHING, GOOD_ROWS_IN)


@dataclass(frozen=True, slots=True)
class Refusal:
    """One reason: row 0 means the whole file, an empty column the whole row."""

    file: str
    row: int
    column: str
    sentence: str

    def __str__(self) -> str:
        if not self.row:
            return f"{self.file}: {self.sentence}"
        where = f"Row {self.row}, {self.column}" if self.column else f"Row {self.row}"
        return f"{self.file}: {where}: {self.sentence}"


@dataclass(slots=True)
class FileReport:
    """Counts of one file; `asked` are readings set aside with a question, `remarks` say what good rows left alone."""

    file: str
    rows: int = 0
    added: int = 0
    changed: int = 0
    unchanged: int = 0
    refused: int = 0
    asked: int = 0
    refusals: list[Refusal] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)

    def counts(self) -> dict[str, int]:
        """Return the counts by name."""
        names = ("rows", "added", "changed", "unchanged", "refused", "asked")
        return {name: getattr(self, name) for name in names}


@dataclass(slots=True)
class LoadReport:
    """The whole load; `is_written` says whether anything stayed in the records."""

    mode: str
    is_dry_run: bool
    files: list[FileReport] = field(default_factory=list)
    is_written: bool = False

    @property
    def refusals(self) -> list[Refusal]:
        """Every reason of every file, in order."""
        return [one for file in self.files for one in file.refusals]

    @property
    def has_changes(self) -> bool:
        """Say whether any row was new or different."""
        return any(file.added or file.changed for file in self.files)

    def verdict(self) -> str:
        """Return one sentence on what stayed."""
        if self.is_dry_run:
            return "Dry run: nothing was written."
        if self.refusals and self.mode == ALL_OR_NOTHING:
            return (
                "Nothing was written, because rows were refused. Put them right and load again, "
                f"or use the mode {GOOD_ROWS_IN}."
            )
        if not self.has_changes:
            return (
                "Nothing to write: everything was there already."
                if not self.refusals
                else ("Nothing was written; the refused rows stay out until they are put right.")
            )
        return "Written." if not self.refusals else "The good rows are in; the refused ones stay out."

    def as_data(self) -> dict[str, object]:
        """Return the report as plain data for JSON."""
        return {
            "mode": self.mode,
            "dry_run": self.is_dry_run,
            "written": self.is_written,
            "verdict": self.verdict(),
            "files": [
                {
                    "file": file.file,
                    **file.counts(),
                    "remarks": file.remarks,
                    "refusals": [
                        {"row": one.row, "column": one.column, "sentence": one.sentence}
                        for one in file.refusals
                    ],
                }
                for file in self.files
            ],
        }
