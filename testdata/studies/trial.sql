-- The trial's dataset in SQL: sqlite3 :memory: ".read trial.sql"
.mode column
.headers on
.nullvalue "-"
.import --csv public/events.csv events
.import --csv public/findings.csv findings

-- An empty field is not zero: it is not known. A ratio of a minute or less is a
-- weak one.
CREATE VIEW shower AS
  SELECT dwelling, connection, substr(start, 1, 7) AS month, flags,
         CAST(heat_kwh AS REAL) AS heat_kwh, CAST(volume_l AS REAL) AS volume_l,
         CAST(NULLIF(cold_in_c, '') AS REAL) AS cold_in_c,
         CASE WHEN flags NOT LIKE '%short-steady-part%' AND flags NOT LIKE '%not-plausible%'
           THEN CAST(NULLIF(ratio, '') AS REAL) END AS ratio
  FROM events WHERE kind = 'shower';

SELECT connection, COUNT(DISTINCT dwelling) AS dwellings, COUNT(*) AS showers, COUNT(ratio) AS with_ratio,
       printf('%.2f', AVG(heat_kwh)) AS kwh_a_shower, printf('%.0f', AVG(volume_l)) AS litres,
       printf('%.3f', AVG(ratio)) AS mean_ratio
  FROM shower GROUP BY connection ORDER BY connection;
.print

SELECT month, COUNT(*) AS showers, printf('%.1f', AVG(cold_in_c)) AS mains_c,
       printf('%.2f', AVG(heat_kwh)) AS kwh_a_shower, printf('%.3f', AVG(ratio)) AS mean_ratio
  FROM shower GROUP BY month ORDER BY month;
.print

SELECT finding, COUNT(DISTINCT dwelling) AS dwellings FROM findings
  GROUP BY finding ORDER BY dwellings DESC, finding;
