# One image for migrations, web, workers and clock: docker-compose.yml names the command of each.
FROM python:3.11-slim-bookworm

# PDFs need pango, its subsetter and at least one font.
RUN apt-get update -q \
    && apt-get install -y -q --no-install-recommends libpangoft2-1.0-0 libharfbuzz-subset0 fonts-dejavu-core \
    && rm -rf /var/lib/apt/lists/*

# The number is fixed so that a volume's files keep their owner from one image to the next.
RUN useradd --uid 1000 --create-home records && install -d -o records -g records -m 0700 /data

WORKDIR /service
COPY requirements/run.txt requirements/run.txt
RUN pip install --no-cache-dir -r requirements/run.txt
COPY manage.py ./
COPY config config
COPY ledger ledger
COPY batches batches
COPY haccp haccp
COPY reports reports
RUN python -m compileall -q .

USER records
ENV DATA_DIR=/data PYTHONUNBUFFERED=1 PYTHONDONTWRITEBYTECODE=1
VOLUME /data
EXPOSE 8000
