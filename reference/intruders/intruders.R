# Chances of competing ends, hazards, times and ordered responses of invented trials (trials.csv).
library(survival)
options(digits = 12)
d <- read.csv("trials.csv")
d$group <- factor(d$group)
d$end <- factor(d$cause, 0:2, c("censored", "excluded", "left"))
cat("Aalen-Johansen, infinitesimal jackknife over trials\n")
f <- survfit(Surv(seconds, end) ~ group, data = d, id = seq_len(nrow(d)))
s <- summary(f, times = c(100, 300, 600), extend = TRUE)
print(data.frame(strata = s$strata, time = s$time, none = s$pstate[, 1], excluded = s$pstate[, 2], left = s$pstate[, 3],
                 se_excluded = s$std.err[, 2], se_left = s$std.err[, 3]), digits = 12)
cat("the same over plants: influence of each trial summed by plant (group, time, excluded, left)\n")
for (g in levels(d$group)) {
  own <- d[d$group == g, ]
  # the array has a row for the beginning before those of one$time
  one <- survfit(Surv(seconds, end) ~ 1, data = own, id = seq_len(nrow(own)), influence = TRUE)
  for (t in c(100, 300, 600)) {
    k <- max(which(one$time <= t))
    by <- rowsum(one$influence.pstate[, k + 1, 2:3], own$plant)
    cat(g, t, format(sqrt(colSums(by^2)), digits = 12), "\n")
  }
}
cat("Cox, excluded, Efron, clustered by plant\n")
print(summary(coxph(Surv(seconds, cause == 1) ~ group, data = d, cluster = plant))$coefficients, digits = 12)
cat("Weibull\n")
w <- survreg(Surv(seconds, cause == 1) ~ group, data = d, dist = "weibull")
print(c(coef(w), scale = w$scale, logLik = w$loglik), digits = 12)
cat("cumulative logit\n")
library(ordinal)
o <- clm(factor(response) ~ group, data = d, control = clm.control(gradTol = 1e-10))
print(coef(summary(o)), digits = 12)
print(logLik(o), digits = 12)
print(sessionInfo()$R.version$version.string)
print(packageVersion("survival")); print(packageVersion("ordinal"))
