#!/usr/bin/env python3
"""Writes the zoo: invented logger formats, each a recipe NAME.toml, a file, and
NAME.want with what must come of it. Python's csv, json, codecs, gzip, zipfile and
zoneinfo write what Go is to read; the wanted values are computed from the series
below and not from the files. Run it in this folder; the same bytes come again."""

import csv, gzip, io, json, math, zipfile
from datetime import datetime, timedelta, timezone
from zoneinfo import ZoneInfo

UTC = timezone.utc


def series(start, n, step):
    """A shower of n samples: instant, four temperatures in tenths, l/min in hundredths."""
    rows = []
    for i in range(n):
        warm = min(i, 4) * 4.7
        rows.append((start + timedelta(seconds=i * step), round(20 + warm, 1), round(18 + warm * 0.6, 1),
                     round(11.3 - i * 0.1, 1), round(14 + warm * 0.7, 1), round(7.25 + i * 0.05, 2) if i else 0.0))
    return rows


CHANNELS = ["waste-in", "waste-out", "cold-in", "preheat-out", "flow"]


class Animal:
    def __init__(self, name, file, recipe):
        self.name, self.file, self.recipe, self.want = name, file, recipe, []

    def reading(self, at, channel, value, dwelling="larch-04", node="n1"):
        us = round((at - datetime(1970, 1, 1, tzinfo=UTC)) / timedelta(microseconds=1))
        self.want.append(f"reading,{dwelling},{node},{channel},{us},{value!r}")

    def frame(self, row, **place):
        for channel, v in zip(CHANNELS, row[1:]):
            self.reading(row[0], channel, v / 60 if channel == "flow" else v, **place)

    def refused(self, line, reason):
        self.want.append(f"refused,{line},{reason}")

    def write(self, data):
        if isinstance(data, str):
            data = data.encode()
        open(self.file, "wb").write(data)
        open(self.name + ".toml", "w").write(self.recipe.strip() + "\n")
        open(self.name + ".want", "w").write("\n".join(self.want) + "\n")


def table(rows, **dialect):
    out = io.StringIO()
    csv.writer(out, **dialect).writerows(rows)
    return out.getvalue()


def comma(v):
    return str(v).replace(".", ",")


def channels(columns, temperature="Cel", flow="l/min", extra=""):
    text = ""
    for channel, column in zip(CHANNELS, columns):
        unit = flow if channel == "flow" else temperature
        ref = column if isinstance(column, int) else json.dumps(column, ensure_ascii=False)
        text += f'[[channel]]\nchannel = "{channel}"\nfrom = {ref}\nunit = "{unit}"\n{extra}\n'
    return text


PLACE = '[place]\ndwelling = "larch-04"\nnode = "n1"\n'
NIGHT = datetime(2026, 10, 25, 0, 30, tzinfo=UTC)  # half an hour before summer time ends in the European Union


def semicolon():
    a = Animal("semicolon", "semicolon.csv", '[file]\nformat = "csv"\ndelimiter = ";"\ndecimal = ","\n[time]\nfrom = "Zeit"\nformat = "DD.MM.YYYY hh:mm:ss"\ntimezone = "Europe/Berlin"\n'
               + PLACE + channels(["Abw_ein", "Abw_aus", "Kalt", "Warm", "Durchfluss"]))
    rows = [["Zeit", "Abw_ein", "Abw_aus", "Kalt", "Warm", "Durchfluss"]]
    for r in series(NIGHT, 12, 600):  # the hour from 02:00 to 03:00 comes twice
        rows.append([r[0].astimezone(ZoneInfo("Europe/Berlin")).strftime("%d.%m.%Y %H:%M:%S")] + [comma(v) for v in r[1:]])
        a.frame(r)
    a.write(table(rows, delimiter=";"))


def newest_first():
    a = Animal("newest-first", "newest-first.csv", '[file]\nformat = "csv"\n[time]\nfrom = "when"\nformat = "YYYY-MM-DD hh:mm"\ntimezone = "Europe/Dublin"\nnewest_first = true\n'
               + PLACE + channels(["a", "b", "c", "d", "e"]))
    rows = []
    for r in reversed(series(NIGHT, 12, 600)):
        rows.append([r[0].astimezone(ZoneInfo("Europe/Dublin")).strftime("%Y-%m-%d %H:%M")] + list(r[1:]))
        a.frame(r)
    a.write(table([["when", "a", "b", "c", "d", "e"]] + rows))


def us_tab():
    a = Animal("us-tab", "us-tab.txt", '[file]\nformat = "csv"\ndelimiter = "tab"\n[time]\nfrom = "Stamp"\nformat = "M/D/YYYY h:mm:ss AM"\ntimezone = "America/New_York"\n'
               + PLACE + channels(["DrainHi", "DrainLo", "Cold", "Pre", "GPM"], "degF", "gal_us/min"))
    zone, rows = ZoneInfo("America/New_York"), [["Stamp", "DrainHi", "DrainLo", "Cold", "Pre", "GPM"]]
    for i, r in enumerate(series(datetime(2026, 7, 4, 11, 58, tzinfo=UTC), 10, 15)):
        f = [70 + i, 66 + i, 52, 60 + i]
        gpm = 1.5 + i / 8
        local = r[0].astimezone(zone)
        rows.append([f"{local.month}/{local.day}/{local.year} {local.hour % 12 or 12}:{local:%M:%S} {local:%p}"] + f + [gpm])
        for channel, v in zip(CHANNELS, f):
            a.reading(r[0], channel, (v - 32) * 5 / 9)
        a.reading(r[0], "flow", gpm * 231 * 0.0254**3 * 1000 / 60)
    a.write(table(rows, delimiter="\t"))


def utf16():
    a = Animal("utf16", "utf16.csv", '[file]\nformat = "csv"\nencoding = "utf-16"\ndelimiter = ";"\ndecimal = ","\n[time]\nfrom = "Zeit (UTC)"\nformat = "YYYY/MM/DD hh:mm:ss,fff"\ntimezone = "UTC"\n'
               + PLACE + channels(["T Abfluß °C", "T2 °C", "Kühl °C", "Vorwärme °C", "Fluß l/min"]))
    rows = [["Zeit (UTC)", "T Abfluß °C", "T2 °C", "Kühl °C", "Vorwärme °C", "Fluß l/min"]]
    for r in series(datetime(2026, 1, 12, 6, 30, 0, 500000, tzinfo=UTC), 8, 1):
        rows.append([r[0].strftime("%Y/%m/%d %H:%M:%S,") + "500"] + [comma(v) for v in r[1:]])
        a.frame(r)
    a.write("\ufeff".encode("utf-16-le") + table(rows, delimiter=";").encode("utf-16-le"))


def latin1():
    a = Animal("latin1", "latin1.csv", '[file]\nformat = "csv"\nencoding = "iso-8859-1"\ndelimiter = ";"\n[time]\nfrom = ["Día", "Hora"]\nformat = "DD-MM-YY hh:mm"\ntimezone = "Europe/Madrid"\n'
               + PLACE + channels(["Desagüe", "Salida", "Fría", "Templada", "Caudal"]))
    rows = [["Día", "Hora", "Desagüe", "Salida", "Fría", "Templada", "Caudal"]]
    for i, r in enumerate(series(datetime(2026, 3, 29, 0, 30, tzinfo=UTC), 6, 600)):
        local = r[0].astimezone(ZoneInfo("Europe/Madrid"))
        rows.append([local.strftime("%d-%m-%y"), local.strftime("%H:%M")] + list(r[1:]))
        a.frame(r)
    rows.append(["29-03-26", "02:30", 20, 18, 11, 14, 0])  # the clock went from 02:00 to 03:00
    a.refused(len(rows), "bad-time")
    a.write(table(rows, delimiter=";").encode("iso-8859-1"))


def bare():
    a = Animal("bare", "bare.csv", '[file]\nformat = "csv"\nheader = false\n[time]\nfrom = 2\nformat = "unix-ms"\n' + PLACE + channels([3, 4, 5, 6, 8], "K", "l/s"))
    rows = []
    for i, r in enumerate(series(datetime(2026, 1, 12, 6, 30, 0, 250000, tzinfo=UTC), 8, 2)):
        rows.append([i, round(r[0].timestamp() * 1000)] + [f"{v + 273.15:.2f}" for v in r[1:5]] + ["", r[5] / 60])
        a.frame(r)
    a.write(table(rows))


def long():
    a = Animal("long", "long.csv", '[file]\nformat = "csv"\nname_from = "sensor"\nvalue_from = "value"\n[time]\nfrom = "time"\nformat = "unix-s"\n'
               '[place]\ndwelling_from = "home"\nnode_from = "box"\n[place.dwellings]\n"Flat 4, left" = "larch-04"\n"Flat 5" = "larch-05"\n' + channels(["t1", "t2", "t3", "t4", "q"]))
    rows = [["home", "box", "time", "sensor", "value"]]
    for home, dwelling in [("Flat 4, left", "larch-04"), ("Flat 5", "larch-05")]:
        for r in series(datetime(2026, 2, 1, 7, 0, tzinfo=UTC), 4, 1):
            for name, channel, v in zip(["t1", "t2", "t3", "t4", "q"], CHANNELS, r[1:]):
                rows.append([home, "b7", int(r[0].timestamp()), name, v])
                a.reading(r[0], channel, v / 60 if channel == "flow" else v, dwelling=dwelling, node="b7")
            rows.append([home, "b7", int(r[0].timestamp()), "battery", 3.1])
    rows.append(["Flat 9", "b7", 1769929200, "t1", 20])
    a.refused(len(rows), "unknown-dwelling")
    a.write(table(rows))


def preamble():
    a = Animal("preamble", "preamble.dat", '[file]\nformat = "csv"\nskip_lines = 3\nunits_line = true\ncomment = "#"\n[time]\nfrom = ["date", "clock"]\nformat = "YYYYMMDD hhmmss"\ntimezone = "Etc/GMT-1"\n'
               + PLACE + channels(["wi", "wo", "ci", "po", "q"], flow="l/h"))
    text = "Serial 77-1904\r\nInterval 5 s\r\n\r\n# columns\r\ndate,clock,wi,wo,ci,po,q,\r\n,,degC,degC,degC,degC,l/h,\r\n"
    for i, r in enumerate(series(datetime(2026, 6, 1, 5, 0, tzinfo=UTC), 6, 5)):
        local = r[0] + timedelta(hours=1)
        litres = 420 + 6 * i
        text += local.strftime("%Y%m%d,%H%M%S,") + ",".join(str(v) for v in r[1:5]) + f",{litres},\r\n"
        if i == 2:
            text += "# battery changed\r\n\r\n"
        a.frame(r[:5])
        a.reading(r[0], "flow", litres / 3600)
    a.write(text)


def pulses():
    a = Animal("pulses", "pulses.csv", '[file]\nformat = "csv"\n[time]\nfrom = "t"\nformat = "unix-s"\n' + PLACE
               + '[[channel]]\nchannel = "flow"\nfrom = "n"\nunit = "pulse"\npulses_per_litre = 450\ncounter = "total"\nrolls_over_at = 65536\n'
               '[[channel]]\nchannel = "cold-in"\nfrom = "c"\nunit = "Cel"\n')
    rows, total, at = [["t", "n", "c"]], 65400, datetime(2026, 1, 12, 6, 30, tzinfo=UTC)
    for i, step in enumerate([0, 0, 45, 54, 63, 54, 0]):
        total = (total + step) % 65536
        at += timedelta(seconds=1)
        rows.append([int(at.timestamp()), total, 11.5])
        if i:
            a.reading(at, "flow", step / 450)
        a.reading(at, "cold-in", 11.5)
    at += timedelta(seconds=1)
    rows.append([int(at.timestamp()), 3, 11.5])  # a new beginning would be more than 5 l/s as a roll-over
    a.refused(len(rows), "bad-counter")
    a.reading(at, "cold-in", 11.5)
    a.write(table(rows))


def since_last():
    a = Animal("since-last", "since-last.csv", '[file]\nformat = "csv"\n[time]\nfrom = "t"\nformat = "rfc3339"\n' + PLACE
               + '[[channel]]\nchannel = "flow"\nfrom = "litres"\nunit = "l"\ncounter = "since-last"\n[[channel]]\nchannel = "waste-flow"\nfrom = "m3 total"\nunit = "m3"\ncounter = "total"\n')
    rows, m3, at = [["t", "litres", "m3 total"]], 120000, datetime(2026, 1, 12, 6, 30, tzinfo=UTC)
    for i, ml in enumerate([900, 1200, 1250, 0, 1100]):
        at += timedelta(seconds=10)
        m3 += ml
        rows.append([at.strftime("%Y-%m-%dT%H:%M:%SZ"), ml / 1000, f"{m3 / 1e6:.6f}"])
        if i:
            a.reading(at, "flow", ml / 10_000)
            a.reading(at, "waste-flow", ml / 10_000)
    a.write(table(rows))


def resistors():
    a = Animal("resistors", "resistors.csv", '[file]\nformat = "csv"\n[time]\nfrom = "time"\nformat = "unix-s"\n' + PLACE
               + '[[channel]]\nchannel = "waste-in"\nfrom = "pt100"\nunit = "Ohm"\nsensor = "pt100"\nlead_ohm = 0.4\n'
               '[[channel]]\nchannel = "waste-out"\nfrom = "pt1000"\nunit = "Ohm"\nsensor = "pt1000"\n'
               '[[channel]]\nchannel = "cold-in"\nfrom = "ntc"\nunit = "kOhm"\nsensor = "beta"\nr25_ohm = 10000\nbeta_k = 3950\n'
               '[[channel]]\nchannel = "preheat-out"\nfrom = "ntc2"\nunit = "Ohm"\nsensor = "steinhart-hart"\nsteinhart_hart = [1.129148e-3, 2.34125e-4, 8.76741e-8]\n')
    platinum = lambda t: 1 + 3.9083e-3 * t - 5.775e-7 * t * t
    rows = [["time", "pt100", "pt1000", "ntc", "ntc2"]]
    for i in range(6):
        at, t = datetime(2026, 1, 12, 6, 30, i, tzinfo=UTC), 10.0 + 7 * i
        # Steinhart and Hart's law solved for R by bisection, so that no formula is inverted twice the same way.
        low, high = 100.0, 1e6
        for _ in range(200):
            mid = math.sqrt(low * high)
            l = math.log(mid)
            if 1 / (1.129148e-3 + 2.34125e-4 * l + 8.76741e-8 * l**3) - 273.15 > t:
                low = mid
            else:
                high = mid
        rows.append([int(at.timestamp()), repr(100 * platinum(t) + 0.4), repr(1000 * platinum(t)),
                     repr(10 * math.exp(3950 * (1 / (t + 273.15) - 1 / 298.15))), repr(mid)])
        for channel in CHANNELS[:4]:
            a.reading(at, channel, t)
    a.write(table(rows))


def tenths():
    a = Animal("tenths", "tenths.csv", '[file]\nformat = "csv"\ndelimiter = "|"\n[time]\nfrom = "ts"\nformat = "unix-us"\n' + PLACE
               + channels(["A", "B", "C", "D", "F"], flow="ml/min", extra='scale = 0.1\ninvalid = [32767, 850, "---"]\n'))
    rows = [["ts", "A", "B", "C", "D", "F"]]
    for i, r in enumerate(series(datetime(2026, 1, 12, 6, 30, tzinfo=UTC), 6, 1)):
        cells = [round(v * 10) for v in r[1:5]]
        ml10 = 72_500 + 500 * i
        if i == 2:
            cells[0] = 32767
        if i == 3:
            cells[1], cells[2] = "---", ""
        rows.append([int(r[0].timestamp() * 1e6)] + cells + [ml10])
        for k, channel in enumerate(CHANNELS[:4]):
            if not (i == 2 and k == 0 or i == 3 and k in (1, 2)):
                a.reading(r[0], channel, cells[k] / 10)
        if i == 2:
            a.refused(len(rows), "error-code")
        a.reading(r[0], "flow", ml10 / 10 / 60_000)
    a.write(table(rows, delimiter="|"))


def quotes():
    a = Animal("quotes", "quotes.csv", '[file]\nformat = "csv"\nthousands = ","\n[time]\nfrom = "time, local"\nformat = "DD MON YYYY hh:mm:ss"\ntimezone = "Europe/Dublin"\n'
               + PLACE + channels(["in", "out", "cold", "pre \"heat\"", "l/h"], flow="l/h"))
    rows, lines = [["time, local", "note", "in", "out", "cold", 'pre "heat"', "l/h"]], 1
    for i, r in enumerate(series(datetime(2026, 1, 12, 6, 30, tzinfo=UTC), 5, 1)):
        litres = 998.5 + i
        note = 'two\nlines, and a "word"' if i == 2 else "ok"
        rows.append([r[0].strftime("%d %b %Y %H:%M:%S"), note] + list(r[1:5]) + [f"{litres:,.1f}"])
        a.frame(r[:5])
        a.reading(r[0], "flow", litres / 3600)
    text = table(rows, quoting=csv.QUOTE_ALL)
    text += '"12 Jan 2026 06:31:00","ok,20,18,11,14,7\r\n'  # a quote that does not end
    a.refused(text.count("\n"), "bad-column")
    text += '"12 Jan 2026 06:31:01","ok","20.5","18.5","11.5","14.5","1.5,0"\r\n'  # no thousands
    a.refused(text.count("\n"), "no-number")
    at = datetime(2026, 1, 12, 6, 31, 1, tzinfo=UTC)
    for channel, v in zip(CHANNELS, [20.5, 18.5, 11.5, 14.5]):
        a.reading(at, channel, v)
    a.write(text)


def json_lines():
    a = Animal("json-lines", "json-lines.json", '[file]\nformat = "json"\nsamples = "$.data[*]"\n[time]\nfrom = "$.t"\nformat = "unix-ms"\n'
               '[place]\ndwelling_from = "$.id"\nnode_from = "$.unit.name"\n' + channels(["$.temp[0]", "$.temp[1]", "$.temp[2]", "$.temp[3]", "$['flow']['lpm']"]))
    text, all = "", series(datetime(2026, 1, 12, 6, 30, tzinfo=UTC), 9, 1)
    for k in range(3):
        part = all[3 * k:3 * k + 3]
        text += json.dumps({"id": "larch-04", "unit": {"name": "u-2"}, "data": [
            {"t": int(r[0].timestamp() * 1000), "temp": list(r[1:5]), "flow": {"lpm": r[5]}} for r in part]}) + "\n"
        for r in part:
            a.frame(r, node="u-2")
    text += '{"id": "larch-04", "unit": {"name": "u-2"}, "data": [{"t": 1768199500000, "temp": [20.5, null, "18.25", true]}\n'
    a.refused(4, "bad-payload")
    text += '{"id": "larch-04", "unit": {"name": "u-2"}, "data": [{"t": 1768199500000, "temp": [20.5, null, "18.25", true]}]}\n'
    at = datetime(2026, 1, 12, 6, 31, 40, tzinfo=UTC)
    a.reading(at, "waste-in", 20.5, node="u-2")
    a.reading(at, "cold-in", 18.25, node="u-2")
    a.refused(5, "no-number")
    a.write(text)


def workbook():
    a = Animal("workbook", "workbook.xlsx", '[file]\nformat = "xlsx"\nsheet = "Log 1"\nskip_lines = 1\n[time]\nfrom = "Time"\nformat = "excel"\ntimezone = "Europe/Dublin"\n' + PLACE + channels(["In", "Out", "Cold", "Pre", "Flow"]))
    rows = [["Logger export"], ["Time", "In", "Out", "Cold", "Pre", "Flow"]]
    for r in series(datetime(2026, 7, 1, 6, 30, tzinfo=UTC), 6, 30):
        local = r[0].astimezone(ZoneInfo("Europe/Dublin")).replace(tzinfo=None)
        rows.append([(local - datetime(1899, 12, 30)) / timedelta(days=1)] + list(r[1:]))
        a.frame(r)
    cells = lambda i, row: "".join(
        f'<c r="{chr(65 + k)}{i}"' + (f' t="inlineStr"><is><t>{v}</t></is></c>' if isinstance(v, str) else f"><v>{v!r}</v></c>") for k, v in enumerate(row))
    sheet = '<?xml version="1.0" encoding="UTF-8"?><worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>' + "".join(
        f'<row r="{i}">{cells(i, row)}</row>' for i, row in enumerate(rows, 1)) + "</sheetData></worksheet>"
    main, rel = "http://schemas.openxmlformats.org/spreadsheetml/2006/main", "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    parts = {
        "[Content_Types].xml": '<?xml version="1.0"?><Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types"><Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/><Default Extension="xml" ContentType="application/xml"/><Override PartName="/xl/workbook.xml" ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/><Override PartName="/xl/worksheets/sheet1.xml" ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.worksheet+xml"/></Types>',
        "_rels/.rels": f'<?xml version="1.0"?><Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="r1" Type="{rel}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": f'<?xml version="1.0"?><workbook xmlns="{main}" xmlns:r="{rel}"><sheets><sheet name="Log 1" sheetId="1" r:id="r1"/></sheets></workbook>',
        "xl/_rels/workbook.xml.rels": f'<?xml version="1.0"?><Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="r1" Type="{rel}/worksheet" Target="worksheets/sheet1.xml"/></Relationships>',
        "xl/worksheets/sheet1.xml": sheet,
    }
    a.write(zipped(parts))


def zipped(parts):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as z:
        for name, text in parts.items():
            z.writestr(zipfile.ZipInfo(name, (2026, 1, 1, 0, 0, 0)), text)
    return out.getvalue()


def blanks():
    a = Animal("blanks", "blanks.txt", '[file]\nformat = "csv"\ndelimiter = "blanks"\nheader = false\n[time]\nfrom = [1, 2]\nformat = "YYYY-MM-DD hh:mm:ss"\ntimezone = "UTC"\n' + PLACE + channels([3, 4, 5, 6, 7]))
    text = ""
    for r in series(datetime(2026, 1, 12, 6, 30, tzinfo=UTC), 6, 1):
        text += r[0].strftime("%Y-%m-%d   %H:%M:%S") + "".join(f"{v:9.2f}" for v in r[1:]) + "\n"
        a.frame(r)
    a.write(text)


def zip_days():
    a = Animal("zip-days", "zip-days.zip", '[file]\nformat = "csv"\n[time]\nfrom = "time"\nformat = "rfc3339"\n' + PLACE + channels(["a", "b", "c", "d", "e"]))
    parts = {}
    for day in (12, 13):
        rows = [["time", "a", "b", "c", "d", "e"]]
        for r in series(datetime(2026, 1, day, 6, 30, tzinfo=UTC), 4, 1):
            rows.append([r[0].isoformat()] + list(r[1:]))
            a.frame(r)
        parts[f"2026-01-{day}.csv"] = table(rows)
    a.write(zipped(parts))


def gzipped():
    a = Animal("gzipped", "gzipped.csv.gz", '[file]\nformat = "csv"\n[time]\nfrom = "time"\nformat = "unix-ns"\n' + PLACE + channels(["a", "b", "c", "d", "e"]))
    rows = [["time", "a", "b", "c", "d", "e"]]
    for r in series(datetime(2026, 1, 12, 6, 30, tzinfo=UTC), 6, 1):
        rows.append([int(r[0].timestamp()) * 10**9] + list(r[1:]))
        a.frame(r)
    a.write(gzip.compress(table(rows).encode(), mtime=0))


def two_flats():
    text = '[file]\nformat = "csv"\n[time]\nfrom = "time"\nformat = "unix-s"\n[place]\nnode = "hub"\n'
    names = ["time"]
    for flat, dwelling in (("L", "larch-04"), ("R", "larch-05")):
        for k, channel in enumerate(CHANNELS):
            text += f'[[channel]]\nchannel = "{channel}"\nfrom = "{flat}{k}"\nunit = "{"l/min" if channel == "flow" else "Cel"}"\ndwelling = "{dwelling}"\n'
            names.append(f"{flat}{k}")
    a = Animal("two-flats", "two-flats.csv", text)
    rows = [names]
    for r in series(datetime(2026, 1, 12, 6, 30, tzinfo=UTC), 5, 1):
        other = [round(v + 1, 2) for v in r[1:]]
        rows.append([int(r[0].timestamp())] + list(r[1:]) + other)
        a.frame(r, node="hub")
        a.frame((r[0], *other), dwelling="larch-05", node="hub")
    a.write(table(rows))


def untidy():
    a = Animal("untidy", "untidy.csv", '[file]\nformat = "csv"\n[time]\nfrom = "time"\nformat = "unix-s"\n' + PLACE + channels(["a", "b", "c", "d", "e"]))
    text, n = "\ufefftime,a,b,c,d,e\r\n", 1

    def line(s, reason=None):
        nonlocal text, n
        text, n = text + s + "\r\n", n + 1
        if reason:
            a.refused(n, reason)

    r = series(datetime(2026, 1, 12, 6, 30, tzinfo=UTC), 1, 1)[0]
    stamp = int(r[0].timestamp())
    line(f" {stamp} , {r[1]} ,{r[2]},{r[3]},{r[4]}, {r[5]},,")
    a.frame(r)
    line("")
    line(f"{stamp + 1},20.0", "bad-column")
    line(f"{stamp + 1},1,2,3,4,5,6", "bad-column")
    line("yesterday,20,18,11,14,7", "bad-time")
    line("315532800,20,18,11,14,7", "bad-time")  # 1980
    line("4102444800,20,18,11,14,7", "future-time")  # 2100
    line(f"{stamp + 2},21.5C,18,NaN,-127,7", "no-number")
    a.refused(n, "no-number")
    a.refused(n, "absurd-value")
    at = r[0] + timedelta(seconds=2)
    a.reading(at, "waste-out", 18.0)
    a.reading(at, "flow", 7 / 60)
    a.write(text)


for make in (semicolon, newest_first, us_tab, utf16, latin1, bare, long, preamble, pulses, since_last, resistors, tenths, quotes, json_lines,
             workbook, blanks, zip_days, gzipped, two_flats, untidy):
    make()
