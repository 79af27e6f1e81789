"""Writes the showers of the rule in run in a CSV file of readings, as
dwelling,began,ended to standard output."""

import sys

import pandas

readings = pandas.read_csv(sys.argv[1], usecols=["time", "dwelling", "waste_in_c", "flow_l_min"])
flowing = readings[readings.flow_l_min >= 0.8]
# the instants are of one form but for the fraction, which a whole second lacks
flowing = flowing.assign(at=pandas.to_datetime(flowing.time.str.replace("Z", "", regex=False).where(
    flowing.time.str.contains(".", regex=False), flowing.time.str.replace("Z", ".0", regex=False)), format="%Y-%m-%dT%H:%M:%S.%f"))
flowing = flowing.sort_values(["dwelling", "at"], kind="stable")
apart = flowing.groupby("dwelling")["at"].diff()
draw = (apart.isna() | (apart > pandas.Timedelta(seconds=105))).cumsum()
draws = flowing.groupby(draw).agg(dwelling=("dwelling", "first"), began=("at", "min"), ended=("at", "max"), first=("waste_in_c", "first"), last=("waste_in_c", "last"), warmest=("waste_in_c", "max"))
showers = draws[(draws.ended - draws.began >= pandas.Timedelta(seconds=60)) & (draws.warmest >= 30) & (draws["last"] >= draws["first"])]
for s in showers.itertuples():
    print(s.dwelling, s.began.strftime("%Y-%m-%dT%H:%M:%SZ"), s.ended.strftime("%Y-%m-%dT%H:%M:%SZ"), sep=",")
