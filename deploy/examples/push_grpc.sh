#!/bin/sh
# Two samples over gRPC, and their receipt.   RESTVOLT_TOKEN=... push_grpc.sh ID [http://127.0.0.1:7400]
set -eu
id=$1 server=${2:-http://127.0.0.1:7400}
"${RESTVOLT:-restvolt}" call --server "$server" TelemetryService/Push '{"batches": [{
    "device_id": "'"$id"'", "boot_id": 2, "first_seq": 1, "step_milliseconds": [0, 1000],
    "voltage_millivolts": [12650, 12662], "current_milliamperes": [0, 1500]}]}'
