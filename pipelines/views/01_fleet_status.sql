-- One row a bike: the verdict, what it rests on, and how old the data are.
CREATE OR REPLACE VIEW fleet_status AS
SELECT
    v.bike,
    v.label,
    v.model,
    v.verdict,
    v.previous_verdict,
    v.because[1] AS reason,
    v.last_data,
    coalesce(r.rides, 0) AS rides,
    coalesce(r.undated_rides, 0) AS undated_rides,
    coalesce(r.distance_km, 0) AS distance_km,
    coalesce(r.engaged_km, 0) AS engaged_km,
    coalesce(f.open_dangers, 0) AS open_dangers,
    coalesce(f.open_faults, 0) AS open_faults
FROM verdicts v
LEFT JOIN (
    SELECT
        bike,
        count(*) AS rides,
        count(*) FILTER (start IS NULL) AS undated_rides,
        round(sum(distance_km), 3) AS distance_km,
        round(sum(engaged_km), 3) AS engaged_km
    FROM rides
    GROUP BY bike
) r USING (bike)
LEFT JOIN (
    SELECT
        bike,
        count(*) FILTER (severity = 'danger') AS open_dangers,
        count(*) FILTER (severity = 'fault') AS open_faults
    FROM findings
    WHERE open
    GROUP BY bike
) f USING (bike)
ORDER BY
    CASE v.verdict WHEN 'keep_in' THEN 0 WHEN 'inspect' THEN 1 WHEN 'no_opinion' THEN 2 ELSE 3 END,
    v.bike;
