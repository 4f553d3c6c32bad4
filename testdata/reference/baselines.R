# Numbers for the baselines of forecast/score: Rscript --vanilla baselines.R
# (R 4.2.2). Writes line_band.csv.

# Daily duty, its cumulative curve, and the 80 % prediction band of a straight
# line through the curve so many days on.
days <- read.csv("baseline_days.csv")$duty
n <- length(days)
d <- data.frame(day = 1:n, total = cumsum(days))
fit <- lm(total ~ day, d)
ahead <- c(1, 7, 30, 90)
band <- predict(fit, data.frame(day = n + ahead), interval = "prediction", level = 0.8)
out <- data.frame(ahead = ahead, total = sum(days), fit = band[, "fit"], lower = band[, "lwr"], upper = band[, "upr"])
write.csv(format(out, digits = 15, trim = TRUE), "line_band.csv", row.names = FALSE, quote = FALSE)
