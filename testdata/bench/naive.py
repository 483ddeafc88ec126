"""What the daemon is measured against: the thirty lines that a capable person
would write to keep and pass on the readings of one gauge. Every reading is
committed and synced before it is published, as in the daemon. It corrects,
judges and checks nothing, and sends nothing again after a restart.

    naive.py DEVICE DATABASE HOST PORT

Needs pyserial and paho-mqtt 1 (Debian: python3-serial, python3-paho-mqtt).
"""
import json, re, sqlite3, sys, time

import paho.mqtt.client as mqtt
import serial

device, database, host, port = sys.argv[1:]
db = sqlite3.connect(database, isolation_level=None)  # each statement is a commit
db.execute("pragma journal_mode = wal")
db.execute("pragma synchronous = full")
db.execute("create table if not exists reading (id integer primary key, at real, mm real)")
client = mqtt.Client()
client.max_inflight_messages_set(1000)
client.max_queued_messages_set(0)
client.connect(host, int(port))
client.loop_start()
line = serial.Serial(device, 9600)
print("ready", flush=True)
rest = b""
while True:
    rest += line.read(line.in_waiting or 1)
    *frames, rest = rest.split(b"\n")
    for frame in frames:
        found = re.match(rb"([-+]\d+\.\d+) mm\r$", frame)
        if not found:
            continue
        at, mm = time.time(), float(found[1])
        row = db.execute("insert into reading (at, mm) values (?, ?)", (at, mm))
        client.publish("fairbore/1/test/naive/reading", json.dumps({"id": row.lastrowid, "at": at, "raw_mm": mm}), qos=1)
