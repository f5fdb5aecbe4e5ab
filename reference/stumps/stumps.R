# An exponential decay of a chance with distance, by optim; and the share gone after each visit, by survfit.
options(digits = 10)
suppressMessages(library(survival))
d <- c(0.5, 0.8, 1.2, 1.5, 2, 2.2, 2.9, 3.1, 3.6, 4.4, 5, 5.5, 6.3, 7, 7.7, 8.1, 9.4, 10, 11.2, 12)
y <- c(1, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 0, 0, 0, 0, 1, 0, 0)
minus <- function(b) { p <- plogis(b[1]) * exp(-d * exp(b[2])); -sum(y * log(p) + (1 - y) * log(1 - p)) }
best <- list(value = Inf)
for (a in c(0, 2, 6, 10)) for (r in c(-3, -1.5, -0.5)) {
  one <- optim(c(a, r), minus, method = "BFGS", control = list(reltol = 1e-15, maxit = 5000))
  if (one$value < best$value) best <- one
}
cat("decay start", format(plogis(best$par[1]), digits = 10), "length", format(exp(-best$par[2]), digits = 10), "logLik", format(-best$value, digits = 10), "\n")
g <- glm(y ~ d, family = binomial)
cat("logistic", format(coef(g), digits = 10), "\n")
number <- c(1, 1, 1, 2, 2, 3, 3, 3, 4, 5, 5, 6, 2, 4, 6); gone <- c(1, 1, 0, 1, 1, 1, 0, 1, 1, 1, 0, 0, 0, 1, 1)
s <- survfit(Surv(number, gone) ~ 1)
cat("share gone", format(1 - summary(s, times = 1:6)$surv, digits = 10), "\n")
print(R.version.string)
