-- What the analysis made of the trial, against what the simulator did:
-- sqlite3 :memory: ".read truth.sql"
.mode column
.headers on
.import --csv trial/truth.csv truth
.import --csv trial/faults.csv fault
.import --csv dataset/events.csv events
.import --csv dataset/findings.csv finding

-- What was wrong, and what was found first.
CREATE TABLE first_found AS
  SELECT dwelling, finding FROM finding WHERE rowid IN (SELECT MIN(rowid) FROM finding GROUP BY dwelling);
SELECT fault.finding AS wrong, first_found.finding AS found, COUNT(*) AS dwellings
  FROM fault JOIN first_found USING (dwelling) GROUP BY wrong, found ORDER BY wrong, found;
.print

-- Of the ratio, dwellings whose connection differs are left out, as trial.R does.
CREATE TABLE figures AS
  SELECT 'true' AS what, dwelling, kind, CAST(heat_kwh AS REAL) AS heat, CAST(NULLIF(ratio, '') AS REAL) AS ratio,
         measurable = 'true' AS used FROM truth
  UNION ALL
  SELECT 'measured', dwelling, kind, CAST(NULLIF(heat_kwh, '') AS REAL), CAST(NULLIF(ratio, '') AS REAL),
         ratio <> '' AND flags NOT LIKE '%short-steady-part%' AND flags NOT LIKE '%not-plausible%' FROM events;
SELECT what, COUNT(*) AS showers, printf('%.0f', SUM(heat)) AS shower_kwh,
       printf('%.4f', AVG(CASE WHEN used AND dwelling NOT IN
         (SELECT dwelling FROM finding WHERE finding = 'connection-differs') THEN ratio END)) AS mean_ratio
  FROM figures WHERE kind = 'shower' GROUP BY what ORDER BY what DESC;
