# The harmonic count mixed model of invented scans (counts.csv) in glmmTMB.
suppressMessages(library(glmmTMB))
cat(R.version.string, "glmmTMB", as.character(packageVersion("glmmTMB")), "\n")
d <- read.csv("counts.csv")
d$c1 <- cos(2 * pi * d$hour / 24); d$s1 <- sin(2 * pi * d$hour / 24)
d$c2 <- cos(4 * pi * d$hour / 24); d$s2 <- sin(4 * pi * d$hour / 24)
tight <- glmmTMBControl(optCtrl = list(eval.max = 5000, iter.max = 5000, rel.tol = 1e-14))
m <- glmmTMB(ants ~ tip + after + c1 + s1 + c2 + s2 + offset(log(length_m)) + (1 | plant) + (1 | block),
             family = nbinom2, data = d, control = tight)
show <- function(name, values) cat(name, sprintf("%.10g", values), "\n")
show("coefficients", fixef(m)$cond)
show("errors", sqrt(diag(vcov(m)$cond)))
show("sd", c(attr(VarCorr(m)$cond$plant, "stddev"), attr(VarCorr(m)$cond$block, "stddev")))
show("shape logLik", c(sigma(m), as.numeric(logLik(m))))
# night to day: means of the fitted curve over the solar hours 18 to 6 and 6 to 18, with the delta method
h <- (seq_len(2880) - 0.5) / 120
x <- cbind(cos(2 * pi * h / 24), sin(2 * pi * h / 24), cos(4 * pi * h / 24), sin(4 * pi * h / 24))
b <- fixef(m)$cond[4:7]; night <- h < 6 | h >= 18
e <- as.vector(exp(x %*% b))
ratio <- log(mean(e[night]) / mean(e[!night]))
g <- colSums(x[night, ] * e[night]) / sum(e[night]) - colSums(x[!night, ] * e[!night]) / sum(e[!night])
show("log night:day and its error", c(ratio, sqrt(as.numeric(t(g) %*% vcov(m)$cond[4:7, 4:7] %*% g))))
