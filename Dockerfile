# One image for every process of the service; docker-compose.yml says which command each one runs.
FROM python:3.12-slim-bookworm AS packages
ENV PIP_NO_CACHE_DIR=1 PIP_DISABLE_PIP_VERSION_CHECK=1
COPY requirements.txt /build/requirements.txt
RUN python -m venv /opt/venv \
    && /opt/venv/bin/pip install --require-hashes --requirement /build/requirements.txt

FROM python:3.12-slim-bookworm
# The libraries come with the Debian release that the tag names; its security updates are wanted.
# hadolint ignore=DL3008
RUN apt-get update \
    && apt-get install --yes --no-install-recommends libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0 \
    && rm -rf /var/lib/apt/lists/* \
    && groupadd --gid 10001 clinic \
    && useradd --uid 10001 --gid clinic --home-dir /data --no-create-home --shell /usr/sbin/nologin clinic \
    && install --directory --owner clinic --group clinic --mode 0700 /data
COPY --from=packages /opt/venv /opt/venv
WORKDIR /app
COPY manage.py LICENSE ./
COPY clinic clinic
COPY screening screening
COPY therapy therapy
COPY templates templates
COPY fixtures fixtures
ENV PATH=/opt/venv/bin:$PATH \
    PYTHONUNBUFFERED=1 \
    PYTHONDONTWRITEBYTECODE=1 \
    XDG_CACHE_HOME=/tmp/cache \
    CLINIC_PRODUCTION=1 \
    CLINIC_DATA_DIR=/data \
    CLINIC_BIND=0.0.0.0
USER 10001:10001
VOLUME /data
EXPOSE 8000
CMD ["python", "-m", "gunicorn", "--config", "python:clinic.web_server", "clinic.wsgi:application"]
