"""A service for desktop notices on the session bus, after the Desktop Notifications Specification
1.2 (freedesktop.org). It prints a line when it is there, and each notice as a line of JSON.

    notice.py markup    reads a body as markup
    notice.py plain     does not
    notice.py stuck     takes a notice and never answers
    notice.py silent    never answers anything
"""

import json
import sys

import dbus
import dbus.service
from dbus.mainloop.glib import DBusGMainLoop
from gi.repository import GLib

NAME = "org.freedesktop.Notifications"
MODE = sys.argv[1]


class Service(dbus.service.Object):
    @dbus.service.method(
        NAME, in_signature="", out_signature="as", async_callbacks=("done", "failed")
    )
    def GetCapabilities(self, done, failed):
        if MODE != "silent":
            done(["body"] if MODE == "plain" else ["body", "body-markup"])

    @dbus.service.method(
        NAME,
        in_signature="susssasa{sv}i",
        out_signature="u",
        async_callbacks=("done", "failed"),
    )
    def Notify(self, app, replaces, icon, summary, body, actions, hints, expires, done, failed):
        hints = {name: [value.__class__.__name__, value] for name, value in hints.items()}
        notice = {"app": app, "summary": summary, "body": body, "hints": hints}
        print(json.dumps(notice), flush=True)
        if MODE not in ("stuck", "silent"):
            done(1)


DBusGMainLoop(set_as_default=True)
bus = dbus.SessionBus()
name = dbus.service.BusName(NAME, bus)
service = Service(bus, "/org/freedesktop/Notifications")
print("ready", flush=True)
GLib.MainLoop().run()
