#!/bin/sh
# Two samples over MQTT, and the receipt that lets the device forget them.   push_mqtt.sh ID TOKEN [PORT]
set -eu
id=$1 token=$2 port=${3:-7402}
mosquitto_pub -p "$port" -V mqttv5 -q 1 -u "$id" -P "$token" -t "restvolt/v1/$id/up/samples/json" -m '{
    "boot_id": 1, "first_seq": 1, "step_milliseconds": [0, 1000],
    "voltage_millivolts": [12650, 12662], "current_milliamperes": [0, 1500]}'
mosquitto_sub -p "$port" -V mqttv5 -q 1 -u "$id" -P "$token" -t "restvolt/v1/$id/receipt" -C 1 -W 10
