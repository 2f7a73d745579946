# Weibull fits, limits, shares by mode, mean numbers and log-rank tests by R's survival package.
# Rscript second_source.R FOLDER: reads lives.csv, modes.csv, repeats.csv, classes.csv there, writes fits.csv, others.csv.
suppressMessages(library(survival))
folder <- commandArgs(TRUE)[1]
read <- function(name) read.csv(file.path(folder, name), stringsAsFactors = FALSE)
control <- survreg.control(maxiter = 200, rel.tolerance = 1e-13, toler.chol = 1e-13)
frozen <- survreg.control(maxiter = 0)
critical <- qchisq(0.9, 1)

# survreg, which knows no late entry
by_survreg <- function(lives) {
  between <- lives$failed == 1 & !is.na(lives$upper)
  first <- ifelse(between, ifelse(lives$lower > 0, lives$lower, NA), lives$exit)
  last <- ifelse(lives$failed == 1, lives$exit, NA)
  y <- Surv(first, last, type = "interval2")
  fit <- survreg(y ~ 1, weights = count, data = lives, dist = "weibull", control = control)
  at <- function(mu, sigma) {
    value <- suppressWarnings(survreg(y ~ 1, weights = count, data = lives, dist = "weibull", scale = sigma,
                                      init = mu, control = frozen)$loglik[2])
    if (is.finite(value)) value else -1e10
  }
  list(log_shape = -log(fit$scale), log_eta = unname(fit$coef[1]), value = fit$loglik[2], at = at)
}

# dweibull and pweibull of base R, given survival to entry
by_densities <- function(lives) {
  between <- lives$failed == 1 & !is.na(lives$upper)
  exact <- lives$failed == 1 & !between
  low <- ifelse(is.na(lives$lower), 0, lives$lower)
  at <- function(mu, sigma) {
    shape <- 1 / sigma
    eta <- exp(mu)
    each <- ifelse(exact, dweibull(lives$exit, shape, eta, log = TRUE),
                   pweibull(lives$exit, shape, eta, lower.tail = FALSE, log.p = TRUE))
    gap <- pweibull(low, shape, eta, lower.tail = FALSE) - pweibull(lives$exit, shape, eta, lower.tail = FALSE)
    each <- ifelse(between, log(gap), each)
    value <- sum(lives$count * (each - pweibull(lives$entry, shape, eta, lower.tail = FALSE, log.p = TRUE)))
    if (is.finite(value)) value else -1e10
  }
  loss <- function(p) -at(p[2], exp(-p[1]))
  start <- c(0.3, log(mean(lives$exit)) + 0.3)
  for (round in 1:6) start <- optim(start, loss, control = list(reltol = 1e-15, maxit = 5000))$par
  best <- nlminb(start, loss, control = list(rel.tol = 1e-15, x.tol = 1e-12))$par
  if (loss(start) < loss(best)) best <- start
  list(log_shape = best[1], log_eta = best[2], value = -loss(best), at = at)
}

# Where the profile lies half the critical value below the maximum, on one side of the maximum
limit <- function(profile, best, value, side) {
  drop <- function(x) 2 * (value - profile(x)) - critical
  near <- best
  step <- 0.1
  repeat {
    far <- near + side * step
    if (abs(far - best) > 40) return(NA)
    if (drop(far) > 0) break
    near <- far
    step <- step * 1.6
  }
  uniroot(drop, sort(c(near, far)), tol = 1e-8)$root
}

fits <- lapply(split(read("lives.csv"), read("lives.csv")$stratum), function(lives) {
  fit <- if (any(lives$entry > 0)) by_densities(lives) else by_survreg(lives)
  best <- function(f, middle, reach) optimize(f, middle + c(-reach, reach), maximum = TRUE, tol = 1e-6)$objective
  of_shape <- function(b) best(function(mu) fit$at(mu, exp(-b)), fit$log_eta, 6 * exp(-min(b, fit$log_shape)))
  level <- log(-log(0.9))
  # a share held at an age far from the estimate may be likeliest with a shape near 0: looked for apart
  of_b10 <- function(x) {
    along <- function(b) fit$at(x - level * exp(-b), exp(-b))
    max(best(along, fit$log_shape, 3), best(along, fit$log_shape - 6, 3))
  }
  ends <- list(beta = list(fit$log_shape, of_shape),
               b10 = list(fit$log_eta + level * exp(-fit$log_shape), of_b10))
  limits <- lapply(ends, function(end) {
    exp(c(end[[1]], limit(end[[2]], end[[1]], fit$value, -1), limit(end[[2]], end[[1]], fit$value, 1)))
  })
  cat(".", file = stderr())
  data.frame(lives$stratum[1], exp(fit$log_eta), t(unlist(limits)), fit$value)
})
fits <- do.call(rbind, fits)
names(fits) <- c("stratum", "eta", "beta", "beta_low", "beta_high", "b10", "b10_low", "b10_high", "log_likelihood")
write.csv(format(fits, digits = 12), file.path(folder, "fits.csv"), row.names = FALSE, quote = FALSE)

others <- data.frame()
note <- function(what, set, name, age, value, error = NA) {
  others <<- rbind(others, data.frame(what, set, name, age, value, error))
}
for (set in unique(read("modes.csv")$set)) {
  lives <- subset(read("modes.csv"), set == .GlobalEnv$set)
  cause <- factor(lives$mode, c("none", "torn", "worn"))
  # with an id survfit leaves cluster aside: each life's influence is summed over its truck here
  curve <- survfit(Surv(entry, exit, cause) ~ 1, data = lives, id = row, influence = TRUE)
  shift <- dim(curve$influence.pstate)[2] - length(curve$time)
  truck <- lives$truck[match(dimnames(curve$influence.pstate)[[1]], lives$row)]
  for (age in c(2, 4, 6, 9)) {
    last <- max(which(curve$time <= age))
    for (name in c("torn", "worn")) {
      state <- which(curve$states == name)
      by_truck <- tapply(curve$influence.pstate[, last + shift, state], truck, sum)
      note("incidence", set, name, age, curve$pstate[last, state], sqrt(sum(by_truck^2)))
    }
  }
}
for (set in unique(read("repeats.csv")$set)) {
  rows <- subset(read("repeats.csv"), set == .GlobalEnv$set)
  curve <- survfit(Surv(start, stop, event) ~ 1, data = rows, id = place, cluster = truck)
  for (age in c(2, 5, 8)) {
    last <- max(which(curve$time <= age))
    note("mean number", set, "", age, curve$cumhaz[last], curve$std.chaz[last])
  }
}
for (set in unique(read("classes.csv")$set)) {
  lives <- subset(read("classes.csv"), set == .GlobalEnv$set)
  note("log-rank", set, "plain", NA, survdiff(Surv(exit, failed) ~ second, data = lives)$chisq)
  note("log-rank", set, "stratified", NA, survdiff(Surv(exit, failed) ~ second + strata(kind), data = lives)$chisq)
}
write.csv(format(others, digits = 12), file.path(folder, "others.csv"), row.names = FALSE, quote = FALSE)
