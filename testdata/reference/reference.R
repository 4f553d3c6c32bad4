# Numbers from R that tests compare with; see README.md. Called by regenerate.sh.
suppressMessages({library(statmod); library(strucchange)})

# Numbers with as many digits as bring the same number back.
digits <- function(v) {
  short <- formatC(v, digits = 15, format = "g", width = 1)
  ifelse(as.numeric(short) == v, short, formatC(v, digits = 17, format = "g", width = 1))
}

write <- function(file, d) {
  d[] <- lapply(d, function(v) if (is.numeric(v)) digits(v) else v)
  write.table(d, file, sep = ",", row.names = FALSE, quote = FALSE)
}

# Inverse Gaussian law: package statmod (Giner and Smyth, statmod: probability
# calculations for the inverse Gaussian distribution, 2016).
ig <- data.frame(
  mean  = c(1, 1, 1, 90, 90, 90, 60, 60, 30, 30, 200, 365, 10),
  shape = c(1, 3, .5, 8100, 8100, 8100, 36000, 36000, 300, 300, 2e6, 1e6, 5),
  x     = c(1, 1, 2, 75, 90, 110, 55, 66, 20, 60, 190, 300, 100))
ig$density  <- dinvgauss(ig$x, ig$mean, ig$shape)
ig$cdf      <- pinvgauss(ig$x, ig$mean, ig$shape)
ig$survival <- pinvgauss(ig$x, ig$mean, ig$shape, lower.tail = FALSE)
write("inverse_gaussian.csv", ig)

q <- expand.grid(p = c(.05, .10, .50, .90, .95), law = 1:6)
laws <- data.frame(mean = c(1, 90, 60, 30, 200, 10), shape = c(1, 8100, 36000, 300, 2e6, 5))
q <- data.frame(mean = laws$mean[q$law], shape = laws$shape[q$law], p = q$p)
q$x <- mapply(function(p, m, s) qinvgauss(p, m, s), q$p, q$mean, q$shape)
write("inverse_gaussian_quantiles.csv", q)

# First passage of a budget by equal independent days: Brownian motion with
# drift (inverse Gaussian) and the normal sum (Birnbaum and Saunders).
B <- 1000; m <- 20; s <- 5; t <- seq(30, 75, by = 0.25)
write("first_passage.csv", data.frame(budget = B, mean = m, sd = s, days = t,
  brownian = pinvgauss(t, B / m, B^2 / s^2), normal_sum = pnorm((m * t - B) / (s * sqrt(t)))))

# Student's t; df 0 stands for the normal law.
st <- expand.grid(p = c(.90, .95, .975), df = c(1, 2, 5, 10, 29, 30, 100, 0))
st$x <- ifelse(st$df == 0, qnorm(st$p), suppressWarnings(qt(st$p, ifelse(st$df == 0, 1, st$df))))
write("student_quantiles.csv", st[, c("df", "p", "x")])
sc <- data.frame(df = c(3, 10, 2.5, 57.3), x = c(1, 2.5, -1.7, 3.1))
sc$p <- pt(sc$x, sc$df)
write("student_cdf.csv", sc)

# Mon-Fri 16 h sd 3, Sat 6 sd 4, Sun 0; day 1 is a Monday; budget 1000 h.
wm <- rep(c(16, 16, 16, 16, 16, 6, 0), 13); wv <- rep(c(9, 9, 9, 9, 9, 16, 0), 13)
M <- cumsum(wm); V <- cumsum(wv); day <- seq_along(M)
write("weekly_pattern.csv", data.frame(day = day, mean = M, variance = V, chance = pnorm((M - 1000) / sqrt(V)))[70:91, ])

# Strokes as counts: Poisson days of a known rate, and of a rate that has a
# gamma law with shape a and rate b (negative binomial counts).
k <- c(80, 80, 200, 200, 200); rate <- c(.8, .8, 2.5, 2.5, 2.5); tt <- c(90, 100, 70, 80, 92)
write("counts_known_rate.csv", data.frame(count = k, rate = rate, days = tt, chance = ppois(k - 1, rate * tt, lower.tail = FALSE)))
p <- c(.1, .5, .9)
write("counts_known_rate_quantiles.csv", data.frame(count = 80, rate = .8, p = p, days = qgamma(p, 80, .8)))
k <- c(80, 200, 200, 200); a <- c(40, 150, 150, 150); b <- c(50, 60, 60, 60); tt <- c(100, 70, 80, 92)
write("counts_gamma_rate.csv", data.frame(count = k, shape = a, rate = b, days = tt,
  chance = pnbinom(k - 1, a, b / (b + tt), lower.tail = FALSE), by_beta = pbeta(tt / (b + tt), k, a)))

# Least squares. cars: speed (mph) and stopping distance (ft), 50 rows.
fits <- data.frame()
add <- function(name, quantity, value) fits <<- rbind(fits, data.frame(fit = name, quantity = quantity, value = value))
lines <- list(weighted = lm(dist ~ speed, cars, weights = 1 / speed), weighted_origin = lm(dist ~ speed - 1, cars, weights = 1 / speed),
  plain = lm(dist ~ speed, cars), origin = lm(dist ~ speed - 1, cars), quadratic = lm(dist ~ speed + I(speed^2), cars, weights = 1 / speed))
for (n in names(lines)) {
  sm <- summary(lines[[n]])
  for (i in seq_len(nrow(sm$coefficients))) {
    add(n, paste0("b", i - 1 + (n %in% c("weighted_origin", "origin"))), sm$coefficients[i, 1])
    add(n, paste0("se", i - 1 + (n %in% c("weighted_origin", "origin"))), sm$coefficients[i, 2])
  }
  add(n, "sigma", sm$sigma)
  add(n, "r2", sm$r.squared)
}
pr <- predict(lines$plain, data.frame(speed = 21), interval = "prediction", level = .9)
add("plain", "predict21", pr[1]); add("plain", "predict21_low", pr[2]); add("plain", "predict21_high", pr[3])
write("cars_fits.csv", fits)
write("cars.csv", cars)

# The Nile at Aswan, and what its mean and its one break look like.
write("nile.csv", data.frame(year = as.integer(time(Nile)), flow = as.numeric(Nile)))
bp <- breakpoints(Nile ~ 1)
n1 <- bp$breakpoints[1]; x <- as.numeric(Nile)
write("nile_break.csv", data.frame(quantity = c("after", "rss_none", "rss_one", "mean_before", "mean_after"),
  value = c(n1, sum((x - mean(x))^2), sum((x[1:n1] - mean(x[1:n1]))^2) + sum((x[-(1:n1)] - mean(x[-(1:n1)]))^2), mean(x[1:n1]), mean(x[-(1:n1)]))))
# Maximum likelihood of a local level.
fit <- StructTS(Nile, "level")
write("nile_structts.csv", data.frame(quantity = c("H", "Q"), value = as.numeric(fit$coef[c("epsilon", "level")])))

# Two-state filter of what is left and of the delivery factor, first four steps.
F <- matrix(c(1, 0, -2, 1), 2)
mod <- list(T = F, Z = c(1, 0), h = 1 + 1.25^2 / 12, V = diag(c(.04, 1e-5)), a = c(125, 1), P = diag(c(4, .01)), Pn = F %*% diag(c(4, .01)) %*% t(F) + diag(c(.04, 1e-5)))
y <- c(122.5, 121.25, 120, 117.5)
out <- data.frame()
for (i in 1:4) {
  kr <- KalmanRun(ts(y[1:i]), mod, update = TRUE)
  mm <- attr(kr, "mod")
  out <- rbind(out, data.frame(step = i, remaining = mm$a[1], factor = mm$a[2], var_r = mm$P[1, 1], cov = mm$P[1, 2], var_f = mm$P[2, 2]))
}
write("fusion_kalmanrun.csv", out)

# Scores of the three quantiles 50, 60, 72 (80 % interval 50 to 72).
qs <- c(50, 60, 72); lv <- c(.1, .5, .9)
sc <- do.call(rbind, lapply(c(55, 66, 80, 45), function(T) {
  pin <- ifelse(T >= qs, (T - qs) * lv, (qs - T) * (1 - lv))
  is <- 72 - 50 + 10 * (max(0, 50 - T) + max(0, T - 72))
  data.frame(truth = T, pinball10 = pin[1], pinball50 = pin[2], pinball90 = pin[3], mean = mean(pin), interval = is, weighted = (.5 * abs(T - 60) + .1 * is) / 1.5)
}))
write("scores.csv", sc)

# Quantiles of 1..10 in the conventions 1, 4, 6, 7, 8 of Hyndman and Fan.
qt7 <- expand.grid(p = c(.1, .25, .5, .9), type = c(1, 4, 6, 7, 8))
qt7$x <- mapply(function(p, type) as.numeric(quantile(1:10, p, type = type)), qt7$p, qt7$type)
write("quantile_conventions.csv", qt7[, c("type", "p", "x")])

# Discounted means by weekday: 28 days, 1 is Monday, oldest first, weight .995 a
# day; shrunk towards the mean of Monday to Friday, or of the weekend, which is
# worth three days.
days <- data.frame(weekday = rep(1:7, 4), amount = round(pmax(0, c(16, 15, 17, 16, 14, 6, 0)[rep(1:7, 4)] + 2 * sin((1:28)^2)), 3))
write("discounted_days.csv", days)
w <- .995^(27:0); out <- data.frame()
for (k in 1:7) {
  mine <- days$weekday == k; group <- (days$weekday > 5) == (k > 5)
  own <- weighted.mean(days$amount[mine], w[mine]); peers <- weighted.mean(days$amount[group], w[group])
  out <- rbind(out, data.frame(weekday = k, weight = sum(w[mine]), mean = own, shrunk = weighted.mean(c(own, peers), c(sum(w[mine]), 3)), n_eff = sum(w[mine])^2 / sum(w[mine]^2)))
}
write("discounted_means.csv", out)

# Posterior predictive law of the cumulative sum: n seen days with a mean and a
# standard deviation, reference prior. First the time at which S(t) = t mean +
# sd sqrt(t + t^2/n) t(n-1) has reached a budget with chance p, by root finding.
post <- data.frame(budget = c(1000, 1000, 300, 120), mean = c(20, 20, 8, 14), sd = c(5, 5, 6, 7), n = c(60, 10, 30, 200))
out <- data.frame()
for (i in seq_len(nrow(post))) for (p in c(.05, .10, .50, .90, .95)) with(post[i, ], {
  short <- function(t) (mean * t - budget) / (sd * sqrt(t + t^2 / n)) - qt(p, n - 1)
  days <- uniroot(short, c(1e-3, 1e4), tol = 1e-13, maxiter = 10000)$root
  out <<- rbind(out, data.frame(budget, mean, sd, n, p, days))
})
write("posterior_quantiles.csv", out)
# Then by simulation: variance and mean drawn from their posterior law, new days
# added up one by one.
set.seed(20260301)
N <- 200000; sim <- data.frame()
for (i in c(1, 3)) with(post[i, ], {
  sigma <- sd * sqrt((n - 1) / rchisq(N, n - 1)); mu <- rnorm(N, mean, sigma / sqrt(n))
  S <- numeric(N); last <- round(budget / mean * 1.5)
  for (d in 1:last) {
    S <- S + mu + sigma * rnorm(N)
    if (d > last / 2 && d %% 2 == 0) sim <<- rbind(sim, data.frame(budget, mean, sd, n, day = d, reached = base::mean(S >= budget), runs = N))
  }
})
write("posterior_simulated.csv", sim)
# A working week in which duty cannot be negative and the sum never falls: gamma days, Mon-Fri mean 16 sd 3, Sat 6 sd 4, Sun 0.
set.seed(20260302)
S <- numeric(N); sim <- data.frame()
for (d in 1:91) {
  if (wm[d] > 0) S <- S + rgamma(N, shape = wm[d]^2 / wv[d], rate = wm[d] / wv[d])
  if (d >= 76) sim <- rbind(sim, data.frame(day = d, passed = mean(S >= 1000), runs = N))
}
write("weekly_pattern_simulated.csv", sim)
