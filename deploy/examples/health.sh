#!/bin/sh
# Is the service up, and what did it take in?   health.sh [http://127.0.0.1:7401]
set -eu
admin=${1:-http://127.0.0.1:7401}
curl --silent --show-error --fail "$admin/readyz"
echo
curl --silent --show-error --fail "$admin/metrics" | grep '^restvolt_ingest_samples' || true
