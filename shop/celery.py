"""The Celery app: every minute of the schedule lives here."""

import os

from celery import Celery
from celery.schedules import crontab

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.settings")

app = Celery("hatchmark")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()
app.conf.beat_schedule = {
    "daily-runs": {"task": "notifications.tasks.daily_runs_due", "schedule": crontab(minute="*/5")},
    "mails": {"task": "notifications.tasks.mails_send", "schedule": crontab(minute="*/5")},
}
