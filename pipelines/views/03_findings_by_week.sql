-- Findings of each rule, week by week (weeks begin on Monday; NULL: date unknown).
CREATE OR REPLACE VIEW findings_by_week AS
SELECT
    CAST(date_trunc('week', start) AS DATE) AS week,
    rule,
    severity,
    count(*) AS findings,
    count(*) FILTER (open) AS open,
    count(DISTINCT bike) AS bikes,
    count(DISTINCT ride) AS rides
FROM findings
GROUP BY week, rule, severity
ORDER BY week NULLS LAST, rule, severity;
