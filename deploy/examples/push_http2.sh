#!/bin/sh
# One sample, byte by byte: a gRPC message is a flag, four bytes of length, and the protobuf.
#   RESTVOLT_TOKEN=(the device's) push_http2.sh [http://127.0.0.1:7400]
set -eu
server=${1:-http://127.0.0.1:7400}
folder=$(mktemp -d)
trap 'rm -rf "$folder"' EXIT
# The field numbers are those of proto/restvolt/v1/telemetry.proto; numbers in octal, as printf wants them.
{
    printf '\000\000\000\000\025'                 # not compressed, 21 bytes
    printf '\012\023'                             # PushRequest.batches: a message of 19 bytes
    printf '\021\003\000\000\000\000\000\000\000' # boot_id = 3, a fixed 64-bit number
    printf '\030\001'                             # first_seq = 1
    printf '\052\001\000'                         # step_milliseconds = [0]
    printf '\062\003\324\305\001'                 # voltage_millivolts = [12650], zigzag 25300
} >"$folder/request"
curl --silent --show-error --http2-prior-knowledge --dump-header "$folder/head" --output "$folder/answer" \
    --header 'content-type: application/grpc' --header 'te: trailers' \
    --header "authorization: Bearer $RESTVOLT_TOKEN" --data-binary "@$folder/request" \
    "$server/restvolt.v1.TelemetryService/Push"
grep -i '^grpc-status' "$folder/head" # 0 = answered
od -A d -t x1 "$folder/answer"        # flag, length, PushResponse with one receipt
