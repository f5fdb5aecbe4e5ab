# A hurdle model of the counts of ../mixed/trials.csv: whether there is any, then how many (zero-truncated).
suppressMessages(library(glmmTMB))
options(digits = 10, width = 140)
d <- read.csv("../mixed/trials.csv")
d$block <- factor(d$block); d$plant <- factor(d$plant); d$any <- as.integer(d$count > 0)
control <- glmmTMBControl(optCtrl = list(iter.max = 1e4, eval.max = 1e4, rel.tol = 1e-12))
show <- function(name, m) {
  s <- summary(m)$coefficients$cond
  cat(name, "coefficients", format(s[, 1], digits = 10), "\n")
  cat(name, "errors", format(s[, 2], digits = 8), "\n")
  cat(name, "sd shape logLik", format(sapply(VarCorr(m)$cond, attr, "stddev"), digits = 8), format(sigma(m), digits = 8),
      format(as.numeric(logLik(m)), digits = 12), "\n")
}
show("any", glmmTMB(any ~ treated + light + (1 | plant) + (1 | block), d, family = binomial, control = control))
some <- subset(d, count > 0)
show("how_many", glmmTMB(count ~ treated + light + (1 | plant) + (1 | block), some, family = truncated_nbinom2, control = control))
cat("rows", nrow(d), nrow(some), "\n")
print(sapply("glmmTMB", function(x) as.character(packageVersion(x)))); print(R.version.string)
