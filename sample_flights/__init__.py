"""An invented airline whose recordings come with the known truth; nothing here imports the engine that is to find it.

`make.make(folder, landings=2000, seed=1)` flies the landings and writes recordings, maps, flights.csv, runways.csv
and truth.parquet. Modules, bottom to top: airline, plan, anomalies, schedule, physics, truth, layouts, recorder,
faults, writing, make.
"""
