"""An approval carries the date of what it rests on."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("shop", "0005_marks")]

    operations = [
        migrations.AddField(
            model_name="approval",
            name="approved_on",
            field=models.DateField(
                blank=True, help_text="Date of the letter, the list or the sheet it rests on.", null=True
            ),
        ),
    ]
