# The trial's paragraph and figure, from the published dataset: Rscript trial.R
# Base R only.
events <- read.csv("public/events.csv")
findings <- read.csv("public/findings.csv")
day <- function(x) as.Date(substr(x, 1, 10))

# What a clamp or a meter is not to be trusted with, is left out from that day on.
about_sensors <- c("sensor-loose", "flow-off-scale", "waste-sensors-swapped", "supply-sensors-swapped", "connection-differs")
showers <- events[events$kind == "shower", ]
showers$day <- day(showers$start)
for (i in which(findings$finding %in% about_sensors)) {
  from <- if (findings$since[i] == "") as.Date("1970-01-01") else day(findings$since[i])
  showers <- showers[!(showers$dwelling == findings$dwelling[i] & showers$day >= from), ]
}
weak <- grepl("short-steady-part|not-plausible", showers$flags)
used <- showers[!is.na(showers$ratio) & !weak, ]

# The dwelling is the unit of the sample: showers of one home are not
# independent. One figure a dwelling, then the dwellings are drawn anew.
set.seed(1)
redrawn <- function(x, f = median) quantile(replicate(10000, f(sample(x, replace = TRUE))), c(0.025, 0.975))
ratio <- tapply(used$ratio, used$dwelling, median)
heat <- tapply(showers$heat_kwh, showers$dwelling, mean, na.rm = TRUE)
ratio_ci <- redrawn(ratio)
heat_ci <- redrawn(heat, mean)

# Change over the trial: a straight line for each dwelling, then the slopes.
slope <- sapply(split(used, used$dwelling), function(d)
  100 * 30 * coef(lm(ratio ~ as.numeric(day), data = d))[[2]] / median(d$ratio))
change <- suppressWarnings(wilcox.test(slope, conf.int = TRUE))

about_units <- c("fouling", "step-loss", "low-from-start", "parallel-flow", "no-recovery", "withheld")
wrong <- length(unique(findings$dwelling[findings$finding %in% about_units]))
all <- length(unique(findings$dwelling))
share <- 100 * binom.test(wrong, all)$conf.int

cat(strwrap(width = 100, c(
  sprintf("In %d dwellings, %d showers between %s and %s had a flow steady enough to measure.",
          length(ratio), nrow(used), format(min(showers$day), "%Y-%m"), format(max(showers$day), "%Y-%m")),
  sprintf("The median dwelling reached %.3f of its unit's certified effectiveness (95 %% interval %.3f to %.3f, dwellings resampled; middle half of dwellings %.3f to %.3f; a single shower's ratio has an expanded uncertainty of %.3f, k = 2, at the median).",
          median(ratio), ratio_ci[1], ratio_ci[2], quantile(ratio, 0.25), quantile(ratio, 0.75), median(used$ratio_u95)),
  sprintf("A shower returned %.2f kWh (%.2f to %.2f) to the mains water.", mean(heat), heat_ci[1], heat_ci[2]),
  sprintf("The ratio changed by %+.2f %% in 30 days (pseudo-median over dwellings, 95 %% interval %+.2f to %+.2f, Wilcoxon signed rank).",
          change$estimate, change$conf.int[1], change$conf.int[2]),
  sprintf("In %d of %d dwellings (95 %% interval %.0f to %.0f %%, Clopper-Pearson) something was wrong with the unit or its piping at some time.",
          wrong, all, share[1], share[2]),
  sprintf("%d events with a gap in the data, and %d showers with less than a minute of steady flow, are not in the ratio; readings of %d dwellings were left out from the day on which a sensor was found wrong.",
          sum(events$kind == "partial"), nrow(showers) - nrow(used), length(unique(findings$dwelling[findings$finding %in% about_sensors])))
)), sep = "\n")

svg("trial-ratio.svg", width = 8, height = 5)
par(mar = c(4.5, 4.5, 1, 1), las = 1)
order <- order(ratio)
quarter <- tapply(used$ratio, used$dwelling, quantile, 0.25)[order]
three <- tapply(used$ratio, used$dwelling, quantile, 0.75)[order]
connection <- tapply(used$connection, used$dwelling, function(x) x[1])[order]
shape <- c(A = 16, B = 17, C = 15)[connection]
plot(seq_along(ratio), ratio[order], ylim = range(quarter, three, 1), pch = shape, xlab = "dwelling, by its median",
     ylab = "measured / certified effectiveness", bty = "l")
segments(seq_along(ratio), quarter, seq_along(ratio), three)
abline(h = 1, col = "grey60")
legend("bottomright", c("A", "B", "C"), pch = c(16, 17, 15), title = "connection", bty = "n")
mtext("bars: middle half of the showers", side = 1, line = 3.3, adj = 1, cex = 0.8)
invisible(dev.off())
