FROM python:3.11-slim

ENV PYTHONDONTWRITEBYTECODE=1 PYTHONUNBUFFERED=1 DATA_DIR=/data
WORKDIR /app
RUN useradd --create-home --uid 10001 hatchmark && mkdir /data && chown hatchmark /data

COPY requirements.txt ./
RUN pip install --no-cache-dir --require-hashes -r requirements.txt

COPY manage.py ./
COPY intervals intervals
COPY shop shop
COPY notifications notifications

USER hatchmark
VOLUME /data
EXPOSE 8000
HEALTHCHECK --interval=30s --timeout=5s --start-period=30s \
  CMD ["python", "-c", "import urllib.request as r; r.urlopen('http://127.0.0.1:8000/api/v1/health', timeout=4)"]
# Threads: a worker without them that sends a long file is taken for dead after 30 seconds, and the file cut off.
CMD ["gunicorn", "shop.wsgi:application", "--bind", "0.0.0.0:8000", "--workers", "3", "--threads", "4", "--no-control-socket"]
