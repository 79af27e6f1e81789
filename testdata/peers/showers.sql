-- Showers by the plain rule of run: flow from 0.8 l/min on, pauses of up to 105 s in
-- it, a minute and more long, with 30 °C at waste in, and it ends no colder there than it began.
WITH flowing AS (
  SELECT dwelling, time::TIMESTAMP AS t, waste_in_c,
         time::TIMESTAMP - lag(time::TIMESTAMP) OVER (PARTITION BY dwelling ORDER BY time) AS apart
  FROM readings WHERE flow_l_min >= 0.8
), numbered AS (
  SELECT *, sum((apart IS NULL OR apart > INTERVAL 105 SECONDS)::INTEGER) OVER (PARTITION BY dwelling ORDER BY t) AS draw
  FROM flowing
)
SELECT dwelling, strftime(min(t), '%Y-%m-%dT%H:%M:%SZ') AS began, strftime(max(t), '%Y-%m-%dT%H:%M:%SZ') AS ended
FROM numbered GROUP BY dwelling, draw
HAVING max(t) - min(t) >= INTERVAL 60 SECONDS AND max(waste_in_c) >= 30 AND arg_max(waste_in_c, t) >= arg_min(waste_in_c, t)
ORDER BY dwelling, began
