"""Who changed what, when, from what to what; and the imports that did it."""

from django.db import models


class ImportRun(models.Model):
    """One loading of a folder or file."""

    name = models.CharField(max_length=200)
    mode = models.CharField(max_length=20)
    file_sha256 = models.JSONField(default=dict, help_text="File name → hash of its content.")
    loaded_at = models.DateTimeField()
    loaded_by = models.ForeignKey(
        "shop.Person", null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )
    counts = models.JSONField(default=dict)

    class Meta:
        ordering = ["-loaded_at"]

    def __str__(self) -> str:
        return self.name


class ChangeRecord(models.Model):
    """One row added or changed; rows are only ever added."""

    table = models.CharField(max_length=40)
    key = models.CharField(max_length=160)
    action = models.CharField(max_length=8, choices=[("added", "added"), ("changed", "changed")])
    before = models.JSONField(default=dict)
    after = models.JSONField(default=dict)
    changed_at = models.DateTimeField()
    changed_by = models.ForeignKey(
        "shop.Person", null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )
    import_run = models.ForeignKey(
        ImportRun, null=True, blank=True, on_delete=models.PROTECT, related_name="changes"
    )

    class Meta:
        ordering = ["-changed_at", "-id"]
        indexes = [models.Index(fields=["table", "key"], name="change_by_row")]

    def __str__(self) -> str:
        return f"{self.table} {self.key} {self.action}"
