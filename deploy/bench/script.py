#!/usr/bin/env python3
"""A short collector as one would write it in an afternoon, to compare with:
subscribe, decode, insert, commit, for each message. It gives SQLite the same
settings as dwindle has (a write-ahead log, each commit synced), which is faster
than its defaults.

script.py HOST PORT FILTER FILE MESSAGES
Prints "subscribed", and "done" after so many messages, and then goes on.
Needs Debian's python3-paho-mqtt.
"""
import json
import sqlite3
import sys

import paho.mqtt.client as mqtt

host, port, pattern, path, each = sys.argv[1], int(sys.argv[2]), sys.argv[3], sys.argv[4], int(sys.argv[5])

db = sqlite3.connect(path, check_same_thread=False)
db.execute("PRAGMA journal_mode = WAL")
db.execute("PRAGMA synchronous = FULL")
db.execute("CREATE TABLE reading (device TEXT, at TEXT, count INTEGER, PRIMARY KEY (device, at)) WITHOUT ROWID")
stored = 0


def say(what):
    print(what, flush=True)


def on_message(client, userdata, message):
    global stored
    content = json.loads(message.payload)
    device = message.topic.split("/")[3]
    db.execute("INSERT OR IGNORE INTO reading VALUES (?, ?, ?)", (device, content["at"], content["count"]))
    db.commit()
    stored += 1
    if stored % each == 0:
        say("done")


options = [mqtt.CallbackAPIVersion.VERSION1] if hasattr(mqtt, "CallbackAPIVersion") else []
client = mqtt.Client(*options, client_id="script", clean_session=False)
client.on_message = on_message
client.on_connect = lambda c, *rest: c.subscribe(pattern, qos=1)
client.on_subscribe = lambda *rest: say("subscribed")
client.connect(host, port)
client.loop_forever()
